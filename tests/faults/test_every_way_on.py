"""Every state has a way on: states × settings that move folders × what people do with folders.

A job is stopped in a state by a kill; then settings move folders, people copy, move, rename, edit
and delete what they may, or a folder goes; then sweeps follow. After a few of them every job has
ended, or what is said names what a person must do, and doing that ends it.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import tempfile
from contextlib import suppress
from pathlib import Path

from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from faults.killing import copied, in_a_child
from faults.serving import CANVAS, daemon_of, sweep
from faults.test_decisions import hold_small_pictures
from hotfolder.daemon import trouble
from hotfolder.ending.decision import release_job
from hotfolder.errors import HotfolderError
from hotfolder.ledger.jobs import Ledger, State, read_jobs
from hotfolder.ledger.record_log import RecordLog
from hotfolder.overview.new_root import make_root
from whole.conftest import drop

SWEEPS = 4

STATES = {
    "claimed": (State.CLAIMED, 1),
    "working": (State.WORKING, 1),
    "produced": (State.PRODUCED, 1),
    "publishing": (State.PUBLISHING, 1),
    "publishing, a rename begun": (State.PUBLISHING, 2),
    "publishing, all begun": (State.PUBLISHING, 3),
    "held": (None, 0),
    "releasing": (State.RELEASING, 1),
    "given up, half said": (None, 1),
}
KINDS = ("hot_folder", "results", "originals", "held", "refused", "release")
MOVES = tuple(f"settings move {kind}" for kind in KINDS)
DEEDS = (
    "moves the held folder to release", "copies the held folder to release",
    "moves the held original to release", "renames the held folder", "edits the held original",
    "deletes the held folder", "releases by command", "takes it out of release",
)  # fmt: skip
LOSSES = tuple(f"{kind} goes" for kind in ("results", "originals", "held"))


class Case:
    """A root with one job in a state, and what happens to it."""

    def __init__(self, root):
        self.root = root
        self.places = {
            kind: root.path / folder / CANVAS
            for kind, folder in zip(
                KINDS, ("in", "out", "originals", "held", "refused", "release"), strict=True
            )
        }
        self.moved = {}
        self.gone = {}
        """Folders that went, by where they were."""
        self._plain = (root.destinations / f"{CANVAS}.toml").read_text()

    def come_to(self, state, *, is_held):
        drop(self.root, "wedding/mud.tif", size=16)
        if is_held:
            hold_small_pictures(self.root)
            self._plain = (self.root.destinations / f"{CANVAS}.toml").read_text()
        ended_first = state in {"held", "releasing", "given up, half said"}
        if ended_first:
            sweep(self.root)
        if state == "releasing":
            self.do("moves the held folder to release")
        if state == "given up, half said":
            self.do("deletes the held folder")
        wanted, times = STATES[state]

        def work():
            advance, end, seen = Ledger.advance, RecordLog.end, []

            def and_die(ledger, job, now, *detail, **changes):
                row = advance(ledger, job, now, *detail, **changes)
                seen.append(now)
                if wanted is not None and seen.count(wanted) == times:
                    os.kill(os.getpid(), signal.SIGKILL)
                return row

            def say_and_die(*arguments, **options):
                Ledger.end = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
                return end(*arguments, **options)

            Ledger.advance = and_die
            if state == "given up, half said":
                RecordLog.end = say_and_die
            sweep(self.root)

        in_a_child(work, 60)

    @property
    def held(self):
        """The held folder, if there is one, by whatever name."""
        found = [each for each in self.places["held"].glob("[!.]*") if each.is_dir()]
        return found[0] if found else None

    def do(self, deed):
        with suppress(HotfolderError, OSError):  # what is not there cannot be moved
            if deed.startswith("settings move "):
                self._move(deed.split()[-1])
            elif deed.endswith(" goes"):
                self._lose(deed.split()[0])
            else:
                self._decide(deed)

    def _move(self, kind):
        self.places[kind] = self.moved[kind] = self.root.path.parent / f"{kind} elsewhere"
        lines = ["[folders]", *(f'{key} = "{path}"' for key, path in self.moved.items())]
        text = "\n".join([self._plain, *lines, ""])
        (self.root.destinations / f"{CANVAS}.toml").write_text(text)
        make_root(self.root.path)

    def _lose(self, kind):
        place = self.places[kind]
        aside = self.root.path.parent / f"{kind} in a drawer"
        place.rename(aside)
        self.gone[place] = aside

    def _decide(self, deed):
        held, release = self.held, self.places["release"]
        if deed == "takes it out of release":
            for each in release.glob("[!.]*"):
                each.rename(self.root.path.parent / f"out of release {each.name}")
            return
        if held is None:
            return
        if deed == "moves the held folder to release":
            held.rename(release / held.name)
        elif deed == "copies the held folder to release":
            shutil.copytree(held, release / held.name)
        elif deed == "moves the held original to release":
            (held / "mud.tif").rename(release / "mud.tif")
        elif deed == "renames the held folder":
            held.rename(held.with_name("ask Ms Reed"))
        elif deed == "edits the held original":
            edited = drop(self.root, "edited.tif", size=16, seed=9)
            edited.rename(held / "mud.tif")
        elif deed == "deletes the held folder":
            shutil.rmtree(held)
        else:
            (row,) = read_jobs(self.root.ledger, ended=True)
            release_job(self.root, row.id, [], who="Mara", why="")

    # what follows

    def follow(self):
        """Sweep a few times; what is said at the end, and whether anything is left to do."""
        said = []
        for _ in range(SWEEPS):
            said = self._sweep()
            if not said:
                break
        return said

    def _sweep(self):
        daemon = daemon_of(self.root)
        try:
            daemon.run(until_idle=True)
        except HotfolderError as error:
            return [str(error)]
        hot = daemon._destinations.hot_folders()
        return [*daemon.troubles(), *(each for one in hot for each in one.status().remarks)]

    def obey(self, said):
        """Do what is said, as far as it says so in words that are known."""
        obeyed = 0
        for each in said:
            obeyed += self._obey(each)
        return obeyed

    def _obey(self, said):
        for place, aside in list(self.gone.items()):
            if str(place) in said and re.search("cannot be reached|connected", said):
                shutil.rmtree(place, ignore_errors=True)
                aside.rename(place)
                del self.gone[place]
                return True
        if named := re.search(r"waited at (.*) and was taken away from there; put it back", said):
            (there,) = (aside for place, aside in self.gone.items() if str(place) in named[1])
            (there / Path(named[1]).name).rename(named[1])
            return True
        release = self.places["release"]
        if "drop it into the hot folder and delete its folder" in said:
            for folder in release.glob("[!.]*"):
                for file in folder.glob("*.tif"):
                    file.rename(self.places["hot_folder"] / file.name)
                shutil.rmtree(folder)
            return True
        if "take it away, or delete it" in said:
            named = release / re.search(r"^(.*?) in release/ ", said)[1]
            shutil.rmtree(named) if named.is_dir() else named.unlink()
            return True
        if "is not a held job" in said:
            for each in release.glob("[!.]*"):
                each.rename(self.root.path.parent / f"not a job {each.name}")
            return True
        return False


@settings(
    max_examples=12,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],  # shrinking would take minutes
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    state=st.sampled_from(list(STATES)),
    is_held=st.booleans(),
    deeds=st.lists(st.sampled_from(MOVES + DEEDS + LOSSES), max_size=4, unique=True),
)
@example(
    state="publishing, all begun",
    is_held=True,
    deeds=["copies the held folder to release", "moves the held original to release"],
)  # the original is left in release/, which is a file of a delivered job
def test_every_job_ends_or_what_is_said_to_be_done_ends_it(quick, state, is_held, deeds):
    is_held = is_held or STATES[state][0] in {None, State.RELEASING}
    retry, trouble._RETRY_S = trouble._RETRY_S, (0.02,)
    try:
        with tempfile.TemporaryDirectory() as folder:
            case = Case(copied(quick, Path(folder) / "root"))
            case.come_to(state, is_held=is_held)
            for deed in deeds:
                case.do(deed)
            for _ in range(4):
                said = case.follow()
                if not said:
                    break
                assert case.obey(said), said
            assert [] == said
            assert [] == read_jobs(case.root.ledger)
            assert [] == [path.name for path in case.root.spool.iterdir()]
            assert dropped_is_kept(case, Path(folder))
    finally:
        trouble._RETRY_S = retry


def dropped_is_kept(case, top):
    """Each job's original is somewhere, with its bytes."""
    from hotfolder.disk import durable

    files = [path for path in top.rglob("*") if path.is_file() and path.suffix in {".tif", ""}]
    rows = read_jobs(case.root.ledger, ended=True)
    return rows and all(any(durable.has_bytes(path, row.sha256) for path in files) for row in rows)
