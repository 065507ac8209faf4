"""Two results of one picture, killed at every rename: both are there once, or neither is yet."""

import io
import shutil
from pathlib import Path

import pytest
from rich.console import Console

from faults.killing import check_books, copied, dropped_hashes, sweep_in_child
from hotfolder.audit.books import open_books
from hotfolder.audit.question import Question
from hotfolder.audit.story import describe_story, tell_story
from hotfolder.audit.verify import verify_root
from hotfolder.ending.decision import release_job
from whole.conftest import drop, records

BOTH = 'correct = "both"\nwhite_at = "50%,50%"\n'


@pytest.fixture
def paired(quick):
    """A root whose one picture becomes two results."""
    path = quick.destinations / "fine-art-canvas.toml"
    text = path.read_text().replace('"profile-conversion"]', '"reference", "profile-conversion"]')
    path.write_text(f"{text}\n[stage.reference]\n{BOTH}")
    drop(quick, "mud.tif", seed=2, size=24)
    return quick


def pair_of(root):
    (record,) = records(root)
    assert 2 == len(record["results"]), record
    assert 2 == len({each["sha256"] for each in record["results"]})
    return record["results"]


def test_both_are_published_under_names_of_their_own(paired):
    assert sweep_in_child(paired)
    first, second = pair_of(paired)
    assert first["path"].endswith("/mud light kept.tif")
    assert second["path"].endswith("/mud neutral.tif")


@pytest.mark.slow(cases=1)
@pytest.mark.parametrize("after", [True, False], ids=["after", "before"])
def test_a_kill_at_any_rename_leaves_both_once(paired, tmp_path, after):
    dropped = dropped_hashes(paired.path / "in/fine-art-canvas")
    acts = sweep_in_child(copied(paired, tmp_path / "counted"))
    numbers = [number for number, act in enumerate(acts, 1) if act == "rename_noreplace"]
    assert 6 <= len(numbers)  # claimed; two results and an original, brought near and named
    for number in numbers:
        root = copied(paired, tmp_path / f"killed-{number}")
        assert sweep_in_child(root, number, after=after) is None
        assert sweep_in_child(root) is not None
        check_books(root, dropped)
        pair_of(root)
        shutil.rmtree(root.path)


def killed_between(paired, tmp_path):
    """A root that was killed when the first of the two had its name, and the second had not."""
    acts = sweep_in_child(copied(paired, tmp_path / "counted"))
    for number in [number for number, act in enumerate(acts, 1) if act == "rename_noreplace"]:
        root = copied(paired, tmp_path / f"killed-{number}")
        assert sweep_in_child(root, number, after=True) is None
        out = root.path / "out/fine-art-canvas"
        if len(list(out.glob("mud*.tif"))) == 1:
            return root, out
        shutil.rmtree(root.path)
    raise AssertionError("never was one there alone")


def test_the_first_is_taken_back_when_the_second_has_gone(paired, tmp_path):
    dropped = dropped_hashes(paired.path / "in/fine-art-canvas")
    root, out = killed_between(paired, tmp_path)
    (near,) = out.glob(".hotfolder-*-result-2")
    near.unlink()
    assert sweep_in_child(root) is not None
    check_books(root, dropped)
    assert {"mud light kept.tif", "mud neutral.tif"} == {each.name for each in out.glob("mud*")}


def test_what_a_consumer_has_collected_between_is_not_brought_again(paired, tmp_path):
    root, out = killed_between(paired, tmp_path)
    (first,) = out.glob("mud*.tif")
    first.unlink()
    assert sweep_in_child(root) is not None
    assert ["mud neutral.tif"] == [each.name for each in out.glob("mud*.tif")]
    pair_of(root)


def test_both_are_audited_and_either_leads_to_its_record(paired):
    assert sweep_in_child(paired)
    record = records(paired)[0]
    _, second = record["results"]
    with open_books(paired) as db:
        console = Console(file=io.StringIO())
        verdict = verify_root(db, paired, Question(), console)
        assert (True, 3) == (verdict["as_recorded"], verdict["files"]["checked"])
        (told,) = tell_story(db, paired, Path(second["path"]))["jobs"]
        assert (record["job"], "the result") == (told["job"], told["the_file_is"])
        said = "\n".join(describe_story(tell_story(db, paired, Path(second["path"]))))
        assert "result, light kept: " in said
        assert "result, neutral: " in said
    Path(second["path"]).write_bytes(b"II*\0")
    with open_books(paired) as db:
        assert not verify_root(db, paired, Question(), console)["as_recorded"]


def test_a_held_pair_is_let_go_together_or_made_again(paired):
    """A person has changed one of the two: none of them is delivered as it was."""
    path = paired.destinations / "fine-art-canvas.toml"
    text = path.read_text()
    path.write_text(text.replace('["reference"', '["preflight", "reference"'))
    path.write_text(path.read_text() + "\n[stage.preflight]\nhold_below_ppi = 5000\n")
    assert sweep_in_child(paired)
    (held,) = records(paired)
    waits = [Path(each["path"]) for each in held["results"]]
    assert ["mud light kept.tif", "mud neutral.tif"] == [each.name for each in waits]
    waits[1].write_bytes(b"edited")
    release_job(paired, held["job"], [], who="Ada", why="")
    assert sweep_in_child(paired) is not None
    *_, last = records(paired)
    assert "delivered" == last["state"]
    assert [each["sha256"] for each in held["results"]] == [
        each["sha256"] for each in last["results"]
    ]
    assert all(Path(each["path"]).is_file() for each in last["results"])
