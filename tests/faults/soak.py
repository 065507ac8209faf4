"""A desk at work for an hour, while everything goes wrong: then the books are balanced.

A real daemon serves a root with three destinations, one of them on a share. Senders drop good,
damaged and hostile files under good and hostile names, slowly, again, replaced, taken back; results
are collected, held jobs released and given up. Meanwhile the daemon and its workers are killed,
disks fill, shares go, permissions are taken. At the end all is mended, the desk comes to rest, and
every file that arrived has to be found once as delivered, held or refused, with its original.

What happens is drawn from the seed; when it meets the daemon is chance. Filling disks and taking
shares away needs root on Linux; without it they are left out, and the answer says so.

    python tests/faults/soak.py --minutes 60 --seed 1
"""

from __future__ import annotations

import argparse
import json
import random
import secrets
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from faults.matrix import why_no_power_loss
from faults.soaking.books import Books
from faults.soaking.place import DESTINATIONS, Place
from faults.soaking.senders import Senders
from faults.soaking.troubles import Desk, Troubles
from hotfolder.disk.marker import Unreachable
from hotfolder.intake.scan import scan
from hotfolder.intake.sidecars import is_sidecar
from hotfolder.ledger.jobs import read_jobs

BACKLOG = 40
BURST = 120
REST_S = 600
KILLS_UNTIL = 0.7
"""Share of the time after which the daemon itself is left alone, so that its memory tells."""


def soak(minutes: float, seed: int, folder: Path, tell: Any) -> dict[str, Any]:
    """Soak a root below `folder`; what was done, how it ended, and what was wrong."""
    why_not = why_no_power_loss()
    place = Place(folder, mounts=not why_not)
    place.make()
    rng = random.Random(seed)
    desk = Desk(place, secrets.token_hex(8))
    senders, troubles = Senders(place, rng), Troubles(place, desk, rng)
    begun = time.monotonic()
    end = begun + minutes * 60
    next_trouble, next_people, next_word = begun + 8, begun + 5, begun
    try:
        while (now := time.monotonic()) < end:
            desk.keep_running(in_trouble=troubles.in_trouble)
            waiting = _waiting(place)
            if waiting < BACKLOG:
                for _ in range(BURST if rng.random() < 0.005 else rng.randrange(1, 5)):
                    senders.act()
            senders.go_on()
            if now >= next_trouble:
                troubles.strike(kills=now < begun + (end - begun) * KILLS_UNTIL)
                next_trouble = now + rng.uniform(2, 18)
            troubles.mend()
            if now >= next_people:
                troubles.people()
                next_people = now + rng.uniform(1, 4)
            if now >= next_word:
                tell(_word(now - begun, senders, troubles, desk, waiting))
                next_word = now + 15
            time.sleep(0.1)
        senders.go_on(ended=True)
        troubles.mend(all_of_it=True)
        tell("at rest? everything is mended, nothing more is dropped")
        rest = _come_to_rest(place, desk, troubles)
        memory = desk.lives[-1]
        desk.kill(signal.SIGTERM)
        left = _left(desk)
        wrong = [*desk.wrong, *([] if rest is not None else ["did not come to rest"])]
        wrong += [f"processes left: {left}"] if left else []
        books = Books(place, senders, troubles)
        wrong += books.check()
        wrong += _own_verdict(place)
    finally:
        for each in desk.processes():
            each.kill()
        troubles.mend(all_of_it=True)
    lines = [each for each in place.root.log.read_text().splitlines() if "internal_error" in each]
    wrong += [f"errors of our own in the log: {lines[:2]}"] if lines else []
    return {
        "seed": seed,
        "minutes": round((end - begun) / 60, 1),
        "came_to_rest_after_s": rest,
        "files_in": senders.arrived.total(),
        "sidecars_in": senders.sidecars.total(),
        "no_files_in": dict(senders.no_files),
        "ends": dict(books.ends),
        "dropped": dict(senders.kinds.most_common()),
        "troubles": dict(troubles.counts.most_common()),
        "left_out": f"full disks and shares: {why_not}" if why_not else "",
        "daemons": len(desk.lives),
        "starts_refused_in_trouble": desk.refused_starts,
        "memory_of_last_daemon_mib": {
            "after_10_s": round(memory.get("rss_mib_at_10_s", 0)),
            "at_end": round(memory["rss_mib"]),
            "age_min": round(memory["age_s"] / 60, 1),
        },
        "wrong": wrong,
    }


def _waiting(place: Place) -> int:
    """How much waits in the hot folders and in the spool."""
    found = len(list(place.root.spool.iterdir()))
    for name in DESTINATIONS:
        try:
            candidates = scan(place.root.path / "in" / name).candidates
            found += sum(not is_sidecar(each) for each in candidates)
        except (Unreachable, OSError):
            continue
    return found


def _come_to_rest(place: Place, desk: Desk, troubles: Troubles) -> int | None:
    """Wait until nothing waits; after how many seconds, None when never."""
    begun = time.monotonic()
    quiet = 0
    while (since := time.monotonic() - begun) < REST_S:
        desk.keep_running(in_trouble=troubles.in_trouble)
        released = [
            each
            for name in DESTINATIONS
            for each in (place.root.path / "release" / name).iterdir()
            if not each.name.startswith(".")
        ]
        idle = not _waiting(place) and not read_jobs(place.root.ledger) and not released
        quiet = quiet + 1 if idle else 0
        if quiet > 20:
            return round(since)
        time.sleep(0.5)
    return None


def _left(desk: Desk) -> list[str]:
    """Processes that outlive the daemon; the ones that a library ends at its own pace get time."""
    deadline = time.monotonic() + 20
    while (left := desk.processes()) and time.monotonic() < deadline:
        time.sleep(0.2)
    return [f"{each.pid} {' '.join(each.cmdline())}" for each in left]


def _own_verdict(place: Place) -> list[str]:
    """What the program's own check of its records says."""
    done = subprocess.run(
        [sys.executable, "-m", "hotfolder", "audit", "--verify", place.root.path],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    return [] if done.returncode == 0 else [f"audit --verify: {done.stdout} {done.stderr}"[:2000]]


def _word(since: float, senders: Senders, troubles: Troubles, desk: Desk, waiting: int) -> str:
    rss = desk.lives[-1]["rss_mib"] if desk.lives else 0
    broken = f"; broken now: {troubles.now}" if troubles.now else ""
    return (
        f"{since / 60:5.1f} min: {senders.arrived.total()} files in, {waiting} wait, "
        f"{troubles.counts.total()} troubles, daemon {len(desk.lives)} ({rss:.0f} MiB)"
        f"{broken}{'; WRONG: ' + desk.wrong[-1] if desk.wrong else ''}"
    )


def main() -> None:
    """Soak, print what came of it, and keep the root when something was wrong."""
    parser = argparse.ArgumentParser(description="Soak a daemon in troubles.")
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", action="store_true", help="keep the root in any case")
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="hotfolder-soak-"))

    def tell(line: str) -> None:
        sys.stderr.write(line + "\n")

    found = soak(asked.minutes, asked.seed, folder, tell)
    sys.stdout.write(json.dumps(found, indent=1) + "\n")
    if found["wrong"] or asked.keep:
        sys.stdout.write(f"the root is kept: {folder}\n")
    else:
        Place(folder, mounts=not found["left_out"]).remove()
    sys.exit(1 if found["wrong"] else 0)


if __name__ == "__main__":
    main()
