"""Destinations with hours and priorities, by a clock that the test sets."""

from __future__ import annotations

import re
from datetime import datetime

import pytest

from batch.conftest import BOOK, picture, sweep, ticket
from hotfolder.batch.summary import describe_batch, summarise_batches
from hotfolder.daemon.slots import Slots
from hotfolder.ledger.jobs import read_jobs
from hotfolder.ledger.pace import estimate_s
from hotfolder.ledger.reading import open_reader
from hotfolder.model.records import ResultRecord
from hotfolder.overview.new_root import make_root
from hotfolder.overview.status import collect
from hotfolder.pages.words import duration
from model.test_records import record
from whole.conftest import drop, files, records, write_destination


def clock(text):
    """A clock that stands still at a local time."""
    return datetime.fromisoformat(text).timestamp


def with_setting(root, line, name=BOOK):
    path = root.destinations / f"{name}.toml"
    path.write_text(f"{line}\n{path.read_text()}")


@pytest.fixture
def by_night(book):
    with_setting(book, 'hours = "22:00-06:00"')
    picture(book, "reeds.tif")
    ticket(book, ["reeds.tif,1,,20 mm,,", "reeds.tif,2,,20 mm,10 mm,"])
    return book


def summarise(root, workers):
    with open_reader(root.ledger) as ledger:
        return summarise_batches(ledger, workers)


def test_by_day_a_batch_is_taken_in_and_planned_and_rests(by_night):
    sweep(by_night, clock=clock("2026-05-04 12:00"))
    assert [] == records(by_night, BOOK)
    assert 2 == len(read_jobs(by_night.ledger))
    assert [] == files(by_night.path / "in" / BOOK)
    (said,) = summarise(by_night, 2)
    assert (2, 2) == (said["rows"], said["waiting"])
    assert "2 left; resting until 22:00" in describe_batch(said, "22:00", by_night)


def test_by_night_it_is_done(by_night):
    sweep(by_night, clock=clock("2026-05-04 12:00"))
    sweep(by_night, clock=clock("2026-05-04 23:00"))
    assert ["delivered"] * 2 == [each["state"] for each in records(by_night, BOOK)]


def test_somebody_who_says_now_means_now(by_night):
    sweep(by_night, clock=clock("2026-05-04 12:00"), keep_hours=False)
    assert 2 == len(records(by_night, BOOK))


def test_the_night_ends_between_two_jobs_and_what_is_left_is_said(by_night):
    settings = by_night.path / "hotfolder.toml"
    settings.write_text(settings.read_text().replace("workers = 0", "workers = 1"))

    def till_morning():
        """It is night until the first job has been begun."""
        begun = by_night.ledger.exists() and any(
            job.attempts
            for ended in (False, True)
            for job in read_jobs(by_night.ledger, ended=ended)
        )
        return clock("2026-05-05 06:00" if begun else "2026-05-05 05:59")()

    sweep(by_night, clock=till_morning)
    assert 1 == len(records(by_night, BOOK))
    (said,) = summarise(by_night, 1)
    assert (1, 1) == (said["delivered"], said["waiting"])
    assert 0 < said["takes_s"] < 60
    assert "1 delivered; 1 left, less than a minute" in describe_batch(said, "", by_night)


def test_what_a_person_releases_does_not_wait_for_the_night(book):
    with_setting(book, 'hours = "22:00-06:00"')
    path = book.destinations / f"{BOOK}.toml"
    limit = "[stage.preflight]\nhold_below_ppi = 250\n[stage.sizing]"
    path.write_text(path.read_text().replace("[stage.sizing]", limit))
    picture(book, "reeds.tif")
    ticket(book, ["reeds.tif,1,,40 mm,,"])
    sweep(book, clock=clock("2026-05-04 23:00"))
    (held,) = records(book, BOOK)
    assert "held" == held["state"]
    folder = book.path / "held" / BOOK / held["job"]
    folder.rename(book.path / "release" / BOOK / held["job"])
    sweep(book, clock=clock("2026-05-05 09:00"))
    assert "delivered" == records(book, BOOK)[-1]["state"]


def test_status_says_until_when_a_job_rests(by_night, monkeypatch):
    sweep(by_night, clock=clock("2026-05-04 12:00"))
    monkeypatch.setattr("hotfolder.overview.status.time.time", clock("2026-05-04 12:00"))
    said = collect(by_night)
    assert "22:00-06:00" == said["destinations"][BOOK]["hours"]
    begin = said["destinations"][BOOK]["rests_until"]
    assert re.fullmatch(r"22:00 \S+", begin)  # with the zone of these clocks
    assert [f"rests until {begin}, when its destination's hours begin"] * 2 == [
        each["why"] for each in said["waiting"]
    ]
    assert 2 == said["batches"][0]["waiting"]


def test_the_higher_priority_goes_first(book, monkeypatch):
    settings = book.path / "hotfolder.toml"
    settings.write_text(settings.read_text().replace("workers = 0", "workers = 1"))
    for name, priority in (("desk", 5), ("wall", 5)):
        write_destination(book, name=name)
        with_setting(book, f"priority = {priority}", name)
    make_root(book.path)
    begun = []
    take = Slots.take

    def note(slots, row, *rest):
        is_taken = take(slots, row, *rest)
        if is_taken:
            begun.append(row.destination)
        return is_taken

    monkeypatch.setattr(Slots, "take", note)
    picture(book, "reeds.tif")
    ticket(book, ["reeds.tif,1,,20 mm,,", "reeds.tif,2,,20 mm,,"])
    for number in (1, 2):
        made = drop(book, f"mud-{number}.tif", seed=number, size=24)
        for name in ("desk", "wall"):
            (book.path / "in" / name / made.name).write_bytes(made.read_bytes())
        made.unlink()
    sweep(book)
    assert ["desk", "desk", "wall", "wall"] == sorted(begun[:4])
    assert [BOOK, BOOK] == begun[4:]


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [(None, ""), (20, "less than a minute"), (400, "about 7 min"), (9000, "about 2 h 30 min")],
)
def test_lengths_of_time_in_words(seconds, expected):
    assert expected == duration(seconds)


def test_what_is_left_is_reckoned_by_area(by_night):
    sweep(by_night, clock=clock("2026-05-04 12:00"))
    left = read_jobs(by_night.ledger)
    # 25.4 × 25.4 mm took 10 s; left are 20 × 10 mm, and one whose height nobody knows
    result = ResultRecord(
        path="/r/out/mud.tif", sha256="0" * 64, bytes=1, format="tiff", width_px=100,
        height_px=100, bits=16, colour_space="RGB", ppi=100.0, profile=None,
    )  # fmt: skip
    made = record(elapsed_s=10.0, results=(result,))
    assert pytest.approx(10 * (20 * 10 + 20 * 20) / 25.4**2) == estimate_s(left, [made], 1)
    # no less than the longest
    assert pytest.approx(10 * 20 * 20 / 25.4**2) == estimate_s(left, [made], 2)
    assert estimate_s(left, [], 2) is None


def test_what_every_job_takes_is_not_reckoned_by_area(by_night):
    """A page of a book was said to take six minutes, as small ones had taken seconds each."""
    sweep(by_night, clock=clock("2026-05-04 12:00"))
    (left,) = [each for each in read_jobs(by_night.ledger) if each.placement.height_mm]
    made = []
    for side_px in (10, 20, 30, 40):  # each takes 3 s and 1 ms for each mm²
        mm2 = (side_px / 100 * 25.4) ** 2
        result = ResultRecord(
            path="/r/out/mud.tif", sha256="0" * 64, bytes=1, format="tiff", width_px=side_px,
            height_px=side_px, bits=16, colour_space="RGB", ppi=100.0, profile=None,
        )  # fmt: skip
        made.append(record(elapsed_s=3 + mm2 / 1000, results=(result,)))
    assert pytest.approx(3.2) == estimate_s([left], made, 2)  # 20 × 10 mm
