"""When a file has finished arriving: with a clock of our own, and with real files and writers."""

from __future__ import annotations

import io
import mmap
import os
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

from hotfolder.disk.marker import write_marker
from hotfolder.intake.scan import Candidate, Identity, scan
from hotfolder.intake.settle import Arrival, Probe, Settler, probe

QUIET_S, PATIENCE_S = 2.0, 60.0
OPEN = Probe(Arrival.OPEN, "Another program still has the file open for writing.")
UNFINISHED = Probe(Arrival.UNFINISHED, "The file ends before its picture does.")
WHOLE = Probe(Arrival.WHOLE)


class Clock:
    """Stands still until it is told to go on."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s

    def go_on(self, seconds: float) -> None:
        self.now_s += seconds


@pytest.fixture
def clock() -> Clock:
    return Clock()


def candidate(relative: str = "reeds.tif", kind: str = "file", **identity: int) -> Candidate:
    known = {"dev": 1, "ino": 2, "size": 3, "mtime_ns": 4, "ctime_ns": 5} | identity
    return Candidate(Path("/in/canvas"), relative, kind, Identity(**known))


def names(candidates: list[Candidate]) -> list[str]:
    return [each.relative for each in candidates]


def settler(clock: Clock, *answers: Probe) -> Settler:
    """A settler whose looks into files get these answers; the last one again and again."""
    left = list(answers or [WHOLE])
    return Settler(QUIET_S, PATIENCE_S, clock, lambda _: left.pop(0) if len(left) > 1 else left[0])


def test_a_file_is_ready_when_it_has_been_quiet(clock):
    waits = settler(clock)
    assert waits.update([candidate()]) == []
    clock.go_on(1.99)
    assert waits.update([candidate()]) == []
    clock.go_on(0.01)
    assert [candidate()] == waits.update([candidate()])


def test_the_next_check_is_exactly_when_something_could_be_ready(clock):
    waits = settler(clock)
    assert waits.next_check_s() is None
    waits.update([candidate()])
    assert waits.next_check_s() == QUIET_S
    clock.go_on(1.5)
    waits.update([candidate(), candidate("buoy.tif")])
    assert waits.next_check_s() == pytest.approx(0.5)
    clock.go_on(5)
    assert waits.next_check_s() == 0
    waits.update([candidate(), candidate("buoy.tif")])
    assert waits.next_check_s() is None


@pytest.mark.parametrize("what", ["dev", "ino", "size", "mtime_ns", "ctime_ns"])
def test_any_change_begins_the_quiet_time_anew(clock, what):
    waits = settler(clock)
    waits.update([candidate()])
    clock.go_on(1.5)
    changed = candidate(**{what: 99})
    assert waits.update([changed]) == []
    clock.go_on(1.5)
    assert waits.update([changed]) == []
    clock.go_on(0.5)
    assert [changed] == waits.update([changed])


@pytest.mark.parametrize("mtime_ns", [0, -(10**18), 4 * 10**18])
def test_the_times_in_the_file_system_say_nothing_about_age(clock, mtime_ns):
    waits = settler(clock)
    waits.update([candidate(mtime_ns=mtime_ns)])
    clock.go_on(QUIET_S - 0.01)
    assert waits.update([candidate(mtime_ns=mtime_ns)]) == []
    clock.go_on(0.01)
    assert names(waits.update([candidate(mtime_ns=mtime_ns)])) == ["reeds.tif"]


def test_what_is_ready_stays_ready_until_it_is_taken(clock):
    waits = settler(clock)
    waits.update([candidate()])
    clock.go_on(QUIET_S)
    assert waits.update([candidate()]) == waits.update([candidate()]) == [candidate()]
    assert waits.waiting() == []


def test_what_is_ready_and_changes_waits_again(clock):
    waits = settler(clock)
    waits.update([candidate()])
    clock.go_on(QUIET_S)
    waits.update([candidate()])
    assert waits.update([candidate(size=9)]) == []


def test_a_taken_name_that_comes_again_is_a_new_file(clock):
    waits = settler(clock)
    waits.update([candidate()])
    clock.go_on(QUIET_S)
    taken = waits.update([candidate()])[0]
    waits.forget(taken)
    waits.forget(taken)
    assert waits.update([candidate()]) == []
    assert waits.waiting()[0].since_s == 0


def test_what_has_gone_is_forgotten(clock):
    waits = settler(clock)
    waits.update([candidate()])
    assert waits.update([]) == []
    assert ([], None) == (waits.waiting(), waits.next_check_s())
    waits.update([candidate()])
    assert waits.next_check_s() == QUIET_S


def test_the_longest_known_is_first(clock):
    waits = settler(clock)
    seen = []
    for name in ("c.tif", "a.tif", "b.tif"):
        seen.append(candidate(name))
        waits.update(sorted(seen, key=lambda each: each.relative))
        clock.go_on(1)
    assert [each.name for each in waits.waiting()] == ["a.tif", "b.tif"]
    clock.go_on(QUIET_S)
    ready = waits.update(sorted(seen, key=lambda each: each.relative))
    assert names(ready) == ["c.tif", "a.tif", "b.tif"]


@pytest.mark.parametrize("kind", ["link", "special", "folder"])
def test_what_is_no_file_is_ready_when_quiet_and_never_looked_into(clock, kind):
    def look(_):
        raise AssertionError("looked into")

    waits = Settler(QUIET_S, PATIENCE_S, clock, look)
    waits.update([candidate(kind=kind)])
    clock.go_on(QUIET_S)
    assert [candidate(kind=kind)] == waits.update([candidate(kind=kind)])


def test_a_file_that_a_program_has_open_is_waited_for_without_limit(clock):
    waits = settler(clock, *[OPEN] * 100, WHOLE)
    for _ in range(101):
        assert waits.update([candidate()]) == []
        clock.go_on(PATIENCE_S)
    assert names(waits.update([candidate()])) == ["reeds.tif"]


def test_an_unfinished_file_is_waited_for_until_patience_ends(clock):
    waits = settler(clock, UNFINISHED)
    waits.update([candidate()])
    clock.go_on(QUIET_S)
    assert waits.update([candidate()]) == []
    assert waits.next_check_s() == QUIET_S
    clock.go_on(PATIENCE_S - QUIET_S - 0.5)
    assert waits.update([candidate()]) == []
    assert waits.next_check_s() == 0.5
    clock.go_on(0.5)
    assert names(waits.update([candidate()])) == ["reeds.tif"]


def test_an_unfinished_file_that_goes_on_growing_has_new_patience(clock):
    waits = settler(clock, UNFINISHED)
    for size in range(10):
        assert waits.update([candidate(size=size)]) == []
        clock.go_on(PATIENCE_S - 1)


def test_an_unfinished_file_that_is_whole_later_is_ready_then(clock):
    waits = settler(clock, UNFINISHED, WHOLE)
    waits.update([candidate()])
    clock.go_on(QUIET_S)
    assert waits.update([candidate()]) == []
    clock.go_on(QUIET_S)
    assert names(waits.update([candidate()])) == ["reeds.tif"]


def test_a_file_is_not_looked_into_more_often_than_needed(clock):
    looks = []

    def look(each: Candidate) -> Probe:
        looks.append(each)
        return UNFINISHED

    waits = Settler(QUIET_S, PATIENCE_S, clock, look)
    for _ in range(100):  # a burst of events: a scan every tenth of a second
        waits.update([candidate()])
        clock.go_on(0.1)
    assert len(looks) == 4


def test_a_file_that_turns_out_to_be_another_begins_anew(clock):
    waits = settler(clock, Probe(Arrival.CHANGED), WHOLE)
    waits.update([candidate()])
    clock.go_on(QUIET_S)
    assert waits.update([candidate()]) == []
    assert waits.next_check_s() == QUIET_S
    clock.go_on(QUIET_S)
    assert names(waits.update([candidate()])) == ["reeds.tif"]


def test_a_file_that_its_sender_took_back_is_no_news(clock):
    waits = settler(clock, Probe(Arrival.GONE))
    waits.update([candidate()])
    clock.go_on(QUIET_S)
    assert waits.update([candidate()]) == []
    assert waits.waiting() == []


def test_why_something_waits_and_since_when_is_said(clock):
    waits = settler(clock, OPEN, UNFINISHED)
    waits.update([candidate("a\nb.tif")])
    clock.go_on(1)
    found = waits.waiting()[0]
    assert (found.name, found.reason, found.since_s) == (
        "a\\x0ab.tif", "The file is still arriving, or was changed a moment ago.", 1.0
    )  # fmt: skip
    clock.go_on(1)
    waits.update([candidate("a\nb.tif")])
    assert OPEN.reason == waits.waiting()[0].reason
    clock.go_on(QUIET_S)
    waits.update([candidate("a\nb.tif")])
    assert (UNFINISHED.reason, 4.0) == (waits.waiting()[0].reason, waits.waiting()[0].since_s)


# real files


def tiff() -> bytes:
    buffer = io.BytesIO()
    picture = np.random.default_rng(3).integers(1, 65536, (64, 64, 3)).astype(np.uint16)
    tifffile.imwrite(buffer, picture, photometric="rgb")
    return buffer.getvalue()


TIFF = tiff()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_marker(tmp_path)
    return tmp_path


def look(folder: Path) -> Probe:
    return probe(scan(folder).candidates[0])


def test_a_whole_file_that_nobody_has_open_is_whole(folder):
    (folder / "reeds.tif").write_bytes(TIFF)
    assert look(folder) == WHOLE


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux can tell who has a file open")
def test_a_file_that_another_program_writes_is_open(folder):
    path = folder / "reeds.tif"
    path.write_bytes(TIFF)
    code = f"file = open({str(path)!r}, 'ab'); print('open', flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout.readline() == "open\n"
        assert look(folder) == OPEN
        writer.communicate("\n")
    assert look(folder) == WHOLE


def test_a_preallocated_file_is_unfinished_until_it_is_filled(folder):
    path = folder / "reeds.tif"
    with path.open("w+b") as file:
        os.posix_fallocate(file.fileno(), 0, len(TIFF))
    assert look(folder) == Probe(Arrival.UNFINISHED, "The file is empty.")
    with path.open("r+b") as file:
        file.write(TIFF[: len(TIFF) // 2])
    assert look(folder).state is Arrival.UNFINISHED
    with path.open("r+b") as file:
        file.write(TIFF)
    assert look(folder) == WHOLE


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux can tell who has a file open")
def test_a_file_that_is_written_through_a_mapping_is_open_although_nothing_else_shows_it(folder):
    path = folder / "reeds.tif"
    path.write_bytes(TIFF)
    with path.open("r+b") as file:
        mapped = mmap.mmap(file.fileno(), 0)
    before = scan(folder).candidates[0]
    mapped[-1:] = b"\x07"
    mapped[-2:-1] = b"\x07"
    assert probe(replace(before, identity=scan(folder).candidates[0].identity)) == OPEN
    mapped.close()


def test_a_file_renamed_into_the_folder_is_whole(folder):
    (folder / ".arriving").write_bytes(TIFF)
    (folder / ".arriving").rename(folder / "reeds.tif")
    assert look(folder) == WHOLE


@pytest.mark.parametrize("name", [b"reed\xe9s.tif", b"a\nb.tif", b"x" * 251 + b".tif"])
def test_any_name_can_be_looked_into(folder, name):
    (folder / os.fsdecode(name)).write_bytes(TIFF)
    assert look(folder) == WHOLE


def test_a_file_replaced_since_the_scan_has_changed(folder):
    path = folder / "reeds.tif"
    path.write_bytes(TIFF)
    before = scan(folder).candidates[0]
    (folder / "other").write_bytes(TIFF)
    (folder / "other").rename(path)
    assert probe(before) == Probe(Arrival.CHANGED)


@pytest.mark.parametrize("level", ["file", "folder"])
def test_a_link_that_took_the_place_of_a_file_is_not_followed(folder, tmp_path_factory, level):
    outside = tmp_path_factory.mktemp("outside")
    (folder / "sub").mkdir()
    (folder / "sub" / "reeds.tif").write_bytes(TIFF)
    before = scan(folder).candidates[0]
    if level == "file":
        (folder / "sub" / "reeds.tif").rename(outside / "reeds.tif")
        (folder / "sub" / "reeds.tif").symlink_to(outside / "reeds.tif")
    else:
        (folder / "sub").rename(outside / "sub")
        (folder / "sub").symlink_to(outside / "sub")
    assert probe(before) == Probe(Arrival.CHANGED)


def test_a_pipe_that_took_the_place_of_a_file_does_not_stop_us(folder):
    path = folder / "reeds.tif"
    path.write_bytes(TIFF)
    before = scan(folder).candidates[0]
    path.unlink()
    os.mkfifo(path)
    assert probe(before) == Probe(Arrival.CHANGED)


def test_a_file_that_has_gone_is_gone(folder):
    (folder / "reeds.tif").write_bytes(TIFF)
    before = scan(folder).candidates[0]
    (folder / "reeds.tif").unlink()
    assert probe(before) == Probe(Arrival.GONE)


def test_a_file_that_may_not_be_read_is_waited_for(folder, monkeypatch):
    def refuse(*_):
        raise PermissionError(13, "Permission denied")

    (folder / "reeds.tif").write_bytes(TIFF)
    monkeypatch.setattr("hotfolder.intake.settle.open_beneath", refuse)
    assert look(folder) == Probe(Arrival.UNFINISHED, "The file cannot be read: Permission denied.")


class Costly:
    """Looks that take their time, into files without an end."""

    def __init__(self, clock: Clock, cost_s: float) -> None:
        self.clock, self.cost_s, self.looked = clock, cost_s, []

    def __call__(self, candidate: Candidate) -> Probe:
        self.looked.append(candidate.relative)
        self.clock.go_on(self.cost_s)
        return WHOLE if candidate.relative == "good.tif" else UNFINISHED


def test_two_hundred_names_of_one_file_cost_one_look(clock):
    look = Costly(clock, 0.3)
    waits = Settler(QUIET_S, PATIENCE_S, clock, look)
    links = [candidate(f"{number}.jpg") for number in range(200)]
    waits.update(links)
    clock.go_on(QUIET_S)
    assert [] == waits.update(links)
    assert 1 == len(look.looked)
    assert {UNFINISHED.reason} == {each.reason for each in waits.waiting()}


def test_two_hundred_costly_files_keep_another_waiting_for_no_more_than_their_turn(clock):
    look = Costly(clock, 0.3)
    waits = Settler(QUIET_S, 3600.0, clock, look)
    costly = [candidate(f"{number}.jpg", ino=number + 10) for number in range(200)]
    waits.update(costly)
    clock.go_on(QUIET_S)
    started = clock.now_s
    waits.update([*costly, candidate("good.tif")])
    assert clock.now_s <= started + 1.3, "an update is bounded"
    clock.go_on(QUIET_S)
    updates = 0
    while "good.tif" not in names(waits.update([*costly, candidate("good.tif")])):
        updates += 1
        clock.go_on(0.1)
    assert look.looked.count("good.tif") == 1
    assert look.looked.index("good.tif") <= 200, "none goes twice before another goes once"
    assert updates <= 60


def test_a_costly_file_is_looked_into_the_less_often(clock):
    look = Costly(clock, 0.5)
    waits = Settler(QUIET_S, 3600.0, clock, look)
    file = candidate("sparse.jpg")
    started = clock.now_s
    while clock.now_s < started + 600:
        waits.update([file])
        clock.go_on(0.5)
    assert 0.5 * len(look.looked) <= 600 / 15
    assert len(look.looked) >= 30


# where nobody can say who has a file open: a daemon that is not root, and files of others


def test_a_file_that_came_with_pauses_is_waited_for_longer_than_they_were(clock):
    waits = settler(clock, Probe(Arrival.WHOLE, is_blind=True))
    for size in (1, 2, 3):
        assert waits.update([candidate(size=size)]) == []
        clock.go_on(9)
    clock.go_on(17)  # 26 s after the last change; the longest pause was 9 s
    assert waits.update([candidate(size=3)]) == []
    (said,) = waits.waiting()
    assert "pauses" in said.reason
    clock.go_on(1)
    assert names(waits.update([candidate(size=3)])) == ["reeds.tif"]


def test_a_file_that_came_with_pauses_is_taken_at_once_where_writers_are_seen(clock):
    waits = settler(clock, WHOLE)
    for size in (1, 2):
        assert waits.update([candidate(size=size)]) == []
        clock.go_on(9)
    assert names(waits.update([candidate(size=2)])) == ["reeds.tif"]


def test_an_unfinished_file_is_waited_for_longer_where_writers_are_not_seen(clock):
    waits = settler(clock, replace(UNFINISHED, is_blind=True))
    waits.update([candidate()])
    clock.go_on(PATIENCE_S * 5 - 1)
    assert waits.update([candidate()]) == []
    clock.go_on(1)
    assert names(waits.update([candidate()])) == ["reeds.tif"]


def test_a_share_that_was_away_for_a_day_makes_no_wait_of_three_days(clock):
    waits = settler(clock, Probe(Arrival.WHOLE, is_blind=True))
    waits.update([candidate(size=1)])
    clock.go_on(86_400)
    waits.update([candidate(size=2)])
    clock.go_on(PATIENCE_S * 5)
    assert names(waits.update([candidate(size=2)])) == ["reeds.tif"]


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs a second user")
@pytest.mark.parametrize(("user", "blind"), [(0, False), (65534, True)])
def test_a_user_who_is_not_root_is_blind_for_writers_of_others_and_knows_it(user, blind):
    # pytest's own folders are closed to other users
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_marker(folder)
        folder.chmod(0o755)
        (folder / "reeds.tif").write_bytes(b"II*\0")
        with (folder / "reeds.tif").open("ab"):
            child = os.fork()
            if child == 0:
                code = 2
                try:
                    os.setuid(user)
                    found = probe(scan(folder).candidates[0])
                    seen = found.state is Arrival.OPEN
                    code = 0 if (found.is_blind, seen) == (blind, not blind) else 1
                finally:
                    os._exit(code)  # whatever happens: it must not go on as a second pytest
            assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
