"""hotfolder audit, as a person asks it: stories, answers, checks, and their exit codes."""

import csv
import io
import json
import re
import shutil
import subprocess
import sys
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from faults.serving import sweep
from whole.conftest import drop, records, write_destination

pytestmark = pytest.mark.whole
NAME = "fine-art-canvas"
GAMUT = '[stage.gamut-check]\ntolerance = 1.0\nhold_above = "0.0001 %"\n[stage.sizing]'


@pytest.fixture
def released(small, hotfolder):
    """A root in which a picture lost too much, was held, and was released by somebody."""
    stages = {'"output-sharpening"': '"gamut-check", "output-sharpening"'}
    write_destination(small, **stages, **{"[stage.sizing]": GAMUT})
    drop(small, "creek.tif", size=48)
    assert sweep(small) == []
    (held,) = records(small)
    asked = ("release", held["job"], small.path, "--who", "Wren", "--why", "the client likes it")
    assert hotfolder(*asked).returncode == 0
    assert sweep(small) == []
    assert ["held", "delivered"] == [record["state"] for record in records(small)]
    return small


def test_the_story_of_a_renamed_result_says_when_why_and_where(released, hotfolder, tmp_path):
    _, record = records(released)
    renamed = tmp_path / "no name.bin"
    shutil.copy(record["results"][0]["path"], renamed)
    done = hotfolder("audit", released.path, "--of", renamed)
    assert done.returncode == 0, done.stderr
    for said in (
        f"It is the result of job {record['job']}",
        "arrived: creek.tif",
        "held: ",
        "released: by Wren: the client likes it",
        "delivered",
        record["results"][0]["path"],
        record["original_kept"],
        "Matte canvas",
        "ppi 100",
    ):
        assert said in done.stdout
    order = ["arrived", "held", "released", "delivered"]
    story = json.loads(hotfolder("audit", released.path, "--of", renamed, "--json").stdout)
    assert order == [event["what"] for event in story["jobs"][0]["events"]]
    renamed.write_bytes(b"other bytes")
    done = hotfolder("audit", released.path, "--of", renamed)
    assert done.returncode == 1
    assert "has no record of a file with this content" in done.stdout


def test_the_story_of_an_original_names_other_jobs_of_it(released, hotfolder):
    _, first = records(released)
    again = released.path / "in" / NAME / "another name.tif"
    shutil.copy(first["original_kept"], again)
    assert hotfolder("sweep", released.path).returncode == 3
    done = hotfolder("audit", released.path, "--of", first["original_kept"], "--json")
    jobs = json.loads(done.stdout)["jobs"]
    assert [first["job"], records(released)[-1]["job"]] == [each["job"] for each in jobs]
    assert [["the same original"]] * 2 == [
        [other["why"] for other in each["other_jobs"]] for each in jobs
    ]


def test_answers_as_table_csv_and_json_agree(released, hotfolder):
    drop(released, "=1+1.tif", seed=2, size=48)
    hotfolder("sweep", released.path)
    table = hotfolder("audit", released.path)
    assert "2 pictures." in table.stdout
    assert "released" in table.stdout
    answer = json.loads(hotfolder("audit", released.path, "--json").stdout)
    rows = list(csv.DictReader(io.StringIO(hotfolder("audit", released.path, "--csv").stdout)))
    assert ["'=1+1.tif", "creek.tif"] == [row["name"] for row in rows]
    for row, each in zip(rows, answer["records"], strict=True):
        assert (row["job"], float(row["share_lost"])) == (each["job"], each["share_lost"])
        assert 0 < float(row["share_out_of_gamut"]) == each["share_out_of_gamut"] <= 1
    held = json.loads(hotfolder("audit", released.path, "--state", "held", "--json").stdout)
    assert ["=1+1.tif"] == [each["name"] for each in held["records"]]
    (group,) = json.loads(
        hotfolder("audit", released.path, "--group", "destination", "--json").stdout
    )["groups"]
    assert (2, 1, 1, 2) == tuple(group[key] for key in ("jobs", "delivered", "held", "was_held"))


def test_a_job_that_was_given_up_is_dropped_and_held_no_more(released, hotfolder):
    first = drop(released, "reeds.tif", seed=2, size=48).read_bytes()
    hotfolder("sweep", released.path)
    record = records(released)[-1]
    result = Path(record["results"][0]["path"]).read_bytes()
    folder = released.path / "held" / NAME / record["job"]
    folder.rename(released.path / "desk")
    assert hotfolder("sweep", released.path).returncode == 0
    noticed = records(released)[-1]["discarded"]["noticed"]
    day = f"{datetime.fromisoformat(noticed).astimezone():%Y-%m-%d}"

    def asked(*options):
        return hotfolder("audit", released.path, *options).stdout

    assert f"discarded {day}" in asked()
    assert "No pictures match" in asked("--state", "held")
    (each,) = json.loads(asked("--state", "discarded", "--json"))["records"]
    assert (record["job"], "discarded", noticed) == (
        each["job"],
        each["state"],
        each["discarded_at"],
    )
    (row,) = csv.DictReader(io.StringIO(asked("--state", "discarded", "--csv")))
    assert ("discarded", noticed, "yes") == (row["state"], row["discarded_at"], row["was_held"])
    (group,) = json.loads(asked("--group", "destination", "--json"))["groups"]
    assert (1, 1, 0, 2) == tuple(
        group[key] for key in ("delivered", "discarded", "held", "was_held")
    )
    page = released.path / "page.html"
    asked("--report", page)
    assert re.search(rf"discarded {day} \d\d:\d\d [\w+:]+<", page.read_text())

    for bytes_, what in ((first, "the original"), (result, "the result")):
        file = released.path / "renamed"
        file.write_bytes(bytes_)
        (job,) = json.loads(asked("--of", file, "--json"))["jobs"]
        assert (what, "discarded") == (job["the_file_is"], job["state"])
        assert ["arrived", "held", "discarded"] == [event["what"] for event in job["events"]]

    # it was only carried away, and comes back
    shutil.move(released.path / "desk", released.path / "release" / NAME / record["job"])
    assert hotfolder("sweep", released.path).returncode == 0
    assert "No pictures match" in asked("--state", "discarded")
    (job,) = json.loads(asked("--of", file, "--json"))["jobs"]
    assert ["arrived", "held", "discarded", "released", "delivered"] == [
        event["what"] for event in job["events"]
    ]
    assert hotfolder("audit", released.path, "--verify").returncode == 0


def test_what_cannot_be_understood_says_what_is_allowed(small, hotfolder):
    for option, value, said in (
        ("--lost-above", "5", '"5 %"'),
        ("--since", "tomorrow", '"yesterday"'),
        ("--of", "nowhere.tif", "a file that can be read"),
    ):
        done = hotfolder("audit", small.path, option, value)
        assert done.returncode == 4
        assert option in done.stderr or value in done.stderr
        assert said in " ".join(done.stderr.split())


# --verify


def test_all_is_as_recorded_also_when_a_result_was_collected(released, hotfolder):
    _, record = records(released)
    done = hotfolder("audit", released.path, "--verify")
    assert (0, True) == (done.returncode, "Everything is as recorded." in done.stdout), done.stdout
    log = released.path / "out" / NAME / "log.jsonl"
    last = subprocess.run(
        f"tail -n 1 '{log}' | sha256sum", shell=True, capture_output=True, check=True
    )
    assert f"last hash {last.stdout.decode()[:64]}" in done.stdout
    (released.path / "out" / NAME / "creek.tif").unlink()
    done = hotfolder("audit", released.path, "--verify")
    assert done.returncode == 0
    assert "1 no longer where they were put" in done.stdout
    assert record["state"] == "delivered"


def test_a_name_that_was_given_again_after_its_result_was_collected_is_as_recorded(
    released, hotfolder
):
    result = released.path / "out" / NAME / "creek.tif"
    first = result.read_bytes()
    result.unlink()
    write_destination(released)
    drop(released, "creek.tif", seed=5, size=48)
    hotfolder("sweep", released.path)
    assert first != result.read_bytes()
    done = hotfolder("audit", released.path, "--verify")
    assert (0, True) == (done.returncode, "1 no longer where they were put" in done.stdout)
    result.write_bytes(first)
    done = hotfolder("audit", released.path, "--verify")
    assert done.returncode == 8
    assert "1 changed" in done.stdout


def test_a_name_that_was_given_again_is_as_recorded_though_the_clock_ran_back(
    released, hotfolder, monkeypatch
):
    result = released.path / "out" / NAME / "creek.tif"
    result.unlink()
    write_destination(released)
    drop(released, "creek.tif", seed=5, size=48)

    class Behind(datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime.now(tz) - timedelta(days=30)

    monkeypatch.setattr("hotfolder.ending.plan.datetime", Behind)
    assert sweep(released) == []
    assert result.exists()
    done = hotfolder("audit", released.path, "--verify")
    assert (0, True) == (done.returncode, "1 no longer where they were put" in done.stdout)


def test_a_name_that_was_given_again_in_another_case_is_as_recorded(released, hotfolder):
    out = released.path / "out" / NAME
    (out / "creek.tif").unlink()
    write_destination(released)
    drop(released, "Creek.tif", seed=5, size=48)
    assert sweep(released) == []
    with suppress(FileExistsError):
        (out / "creek.tif").hardlink_to(out / "Creek.tif")  # as where case is ignored
    done = hotfolder("audit", released.path, "--verify")
    assert (0, True) == (done.returncode, "1 no longer where they were put" in done.stdout)


@pytest.mark.parametrize("kind", ["result", "original"])
def test_a_changed_file_shows_with_its_job_and_place(released, hotfolder, kind):
    _, record = records(released)
    path = record["results"][0]["path"] if kind == "result" else record["original_kept"]
    with Path(path).open("r+b") as file:
        file.seek(400)
        byte = file.read(1)
        file.seek(400)
        file.write(bytes([byte[0] ^ 1]))
    done = hotfolder("audit", released.path, "--verify")
    assert done.returncode == 8
    assert f"changed: {kind} of job {record['job']}: {path}" in done.stdout
    said = json.loads(hotfolder("audit", released.path, "--verify", "--json").stdout)
    assert [path] == [each["path"] for each in said["files"]["changed"]]


def test_an_original_that_is_gone_shows(released, hotfolder):
    _, record = records(released)
    shutil.rmtree(released.path / "originals" / NAME)
    done = hotfolder("audit", released.path, "--verify")
    assert done.returncode == 8
    assert f"{record['original_kept']}: its folder is not there" in done.stdout


def test_a_held_record_that_was_taken_out_of_the_log_shows(released, hotfolder):
    log = released.path / "out" / NAME / "log.jsonl"
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(lines[1])
    done = hotfolder("audit", released.path, "--verify")
    assert done.returncode == 8
    assert "chain BROKEN" in done.stdout
    assert "is in the ledger, but not in the log" in done.stdout


def test_questions_are_answered_while_a_daemon_serves_the_root(released, hotfolder):
    command = [sys.executable, "-m", "hotfolder", "watch", str(released.path)]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as daemon:
        try:
            assert any("daemon.started" in line for line in iter(daemon.stderr.readline, ""))
            assert "1 picture." in hotfolder("audit", released.path).stdout
            assert hotfolder("audit", released.path, "--verify").returncode == 0
        finally:
            daemon.terminate()
            daemon.wait(60)


def test_the_page_is_written_whole_and_names_are_text(released, hotfolder, tmp_path):
    drop(released, "<b onload=x>.tif", seed=3, size=48)
    hotfolder("sweep", released.path)
    page = tmp_path / "audit.html"
    done = hotfolder("audit", released.path, "--report", page)
    assert done.returncode == 0
    text = page.read_text()
    assert "&lt;b onload=x&gt;.tif" in text
    assert "<b onload" not in text
    assert [page] == list(tmp_path.glob("*audit*"))
    done = hotfolder("audit", released.path, "--report", tmp_path / "no folder" / "a.html")
    assert done.returncode == 4
    assert "a folder that can be written" in " ".join(done.stderr.split())


def test_what_was_released_is_found_with_who_why_and_in_spite_of_what(released, hotfolder):
    done = hotfolder("audit", released.path, "--released")
    assert done.returncode == 0, done.stderr
    assert "1 picture." in done.stdout
    assert "creek.tif: by Wren: the client likes it" in done.stdout
    assert "in spite of gamut-loss: " in done.stdout
    assert "release it as it is" not in done.stdout
    none = hotfolder("audit", released.path, "--released", "--during", "last year")
    assert none.stdout.strip() == "No pictures match."
