"""The stage alone, driven as hotfolder does it, and its book."""

import json
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from edition_number import EditionNumberStage, begin, give, main, open_book

from hotfolder import EditionNumber, Job, Refuse, StorageError
from hotfolder.testing import make_job, make_spec, make_stage, run_stage

GREY = np.full((6, 8, 3), 30000, np.uint16)
SPEC = make_spec(GREY)


@pytest.fixture
def book(tmp_path: Path) -> Path:
    path = tmp_path / "editions.sqlite"
    begin(path)
    return path


def run(
    book: Path,
    job: str,
    name: str = "reeds.tif",
    of: int = 25,
    destination: str = "wall",
    *,
    is_trial: bool = False,
    sha256: str = "0" * 64,
    picture: str = "name",
) -> Job:
    made = make_job(SPEC, name=name, destination=destination, is_trial=is_trial)
    given = replace(made, id=job, original=replace(made.original, sha256=sha256))
    stage = make_stage(EditionNumberStage, {"book": str(book), "of": of, "picture": picture})
    done = run_stage(stage, GREY, SPEC, given)
    assert (done.pixels == GREY).all()
    assert done.findings["edition"] == str(given.told(EditionNumber))
    return given


def test_each_job_of_a_picture_gets_the_next_number_and_tells_it(book: Path) -> None:
    told = [run(book, f"job-{each}").told(EditionNumber) for each in "abc"]
    assert told == [EditionNumber(1, 25), EditionNumber(2, 25), EditionNumber(3, 25)]
    assert str(told[2]) == "3/25"


def test_an_attempt_that_is_made_again_keeps_its_number(book: Path) -> None:
    for job in ("job-a", "job-b", "job-a"):
        told = run(book, job).told(EditionNumber)
    assert told == EditionNumber(1, 25)


def test_pictures_and_destinations_count_for_themselves(book: Path) -> None:
    run(book, "job-a")
    assert run(book, "job-b", "mud.tif").told(EditionNumber) == EditionNumber(1, 25)
    assert run(book, "job-c", destination="book").told(EditionNumber) == EditionNumber(1, 25)


def test_a_file_that_was_exported_again_goes_on_counting_unless_bytes_decide(book: Path) -> None:
    run(book, "job-a", "reeds.tif", sha256="a" * 64)
    again = run(book, "job-b", "Reeds.png", sha256="b" * 64)
    assert again.told(EditionNumber) == EditionNumber(2, 25)
    for number, job in enumerate(("job-c", "job-d"), 1):
        same = run(book, job, f"{job}.tif", sha256="c" * 64, picture="content")
        assert same.told(EditionNumber) == EditionNumber(number, 25)


def test_a_trial_says_the_number_that_comes_next_and_takes_none(book: Path) -> None:
    assert run(book, "job-a", is_trial=True).told(EditionNumber) == EditionNumber(
        1, 25, is_given=False
    )
    assert run(book, "job-b").told(EditionNumber) == EditionNumber(1, 25)


def test_two_workers_at_once_never_get_the_same(book: Path) -> None:
    def take(job: int) -> int | None:
        with open_book(book) as db:
            return give(db, "wall", "reeds", f"job-{job}", 25)

    with ThreadPoolExecutor(8) as workers:
        numbers = list(workers.map(take, range(30)))
    assert sorted(filter(None, numbers)) == list(range(1, 26))
    assert numbers.count(None) == 5


def test_a_complete_edition_is_refused_and_no_number_is_spent(book: Path) -> None:
    run(book, "job-a", of=1)
    with pytest.raises(Refuse, match="All 1 prints of reeds for wall have their numbers") as said:
        run(book, "job-b", of=1)
    assert said.value.code == "edition-complete"
    assert run(book, "job-b", of=2).told(EditionNumber) == EditionNumber(2, 2)


def test_a_book_that_is_missing_is_not_begun_anew_and_the_job_waits(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match=r"is not there.*put it back from a copy"):
        run(tmp_path / "editions.sqlite", "job-a")
    assert not list(tmp_path.iterdir())


def test_a_book_that_is_damaged_says_so_and_the_job_waits(book: Path) -> None:
    book.write_bytes(b"mud" * 500)
    with pytest.raises(StorageError, match="cannot be used"):
        run(book, "job-a")


def test_a_lost_book_is_begun_with_what_records_say(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log, book = tmp_path / "log.jsonl", tmp_path / "editions.sqlite"
    found = {"edition": "7/25", "number": 7, "picture": "reeds"}
    records = [
        {"job": "job-g", "destination": "wall", "findings": {"edition-number": found}},
        {"job": "job-h", "destination": "wall", "findings": {}},
    ]
    log.write_text("".join(json.dumps(each) + "\n" for each in records), "utf-8")
    main(["begin", str(book), str(log)])
    assert "1 numbers given" in capsys.readouterr().out
    assert run(book, "job-i").told(EditionNumber) == EditionNumber(8, 25)
    main(["list", str(book)])
    assert capsys.readouterr().out.splitlines() == [
        "wall\treeds\t7\tjob-g",
        "wall\treeds\t8\tjob-i",
    ]
    with pytest.raises(SystemExit):
        main(["begin", str(book)])


def test_the_table_itself_forbids_a_number_twice(book: Path) -> None:
    run(book, "job-a")
    with closing(sqlite3.connect(book)) as db, pytest.raises(sqlite3.IntegrityError):
        db.execute("INSERT INTO given VALUES ('wall', 'reeds', 1, 'job-b')")


def test_the_book_is_an_absolute_path() -> None:
    with pytest.raises(ValueError, match="an absolute path"):
        make_stage(EditionNumberStage, {"book": "editions.sqlite", "of": 25})


def test_the_report_has_a_column() -> None:
    (column,) = EditionNumberStage.hotfolder_facts({"edition": "3/25"}, {}).columns
    assert (column.heading, column.value) == ("Edition", "3/25")
