"""Kills by the thousand, while people and disks do what they like: then the books, by hash.

A daemon serves a root and is killed at random moments, again and again. Meanwhile senders drop,
write slowly and rename; consumers take whole folders away; held jobs are released in every way,
renamed and given up; disks fill, shares go and come back, one hangs; settings change, folders move;
and where the machine allows it, the daemon has another user than the senders. Every so many kills
all is mended, sweeps bring the desk to rest, and the books are balanced: every file that was
dropped has ended exactly once, its original is where the record says, each result is there once,
hidden names included.

What is drawn comes from the seed; when it meets the daemon is chance.

    python tests/faults/chaos.py --kills 1000 --seed 1
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from faults.chaotic.books import Books
from faults.chaotic.crowd import Crowd
from faults.chaotic.place import ON_REQUEST, PARTS, Place, all_files
from hotfolder.ledger.jobs import read_jobs
from hotfolder.overview.new_root import make_root

BALANCE_EVERY = 25
"""Kills."""
SWEEPS = 8
"""After which a desk that is left alone must have come to rest."""
SWEEP_S = 60
LIFE_S = (0.1, 1.2)


def chaos(
    kills: int,
    seed: int,
    folder: Path,
    tell: Callable[[str], None],
    parts: frozenset[str] = frozenset(PARTS),
) -> dict[str, Any]:
    """Kill a daemon below `folder` so many times; what was done, and what was wrong."""
    rng = random.Random(seed)
    place = Place(folder, parts)
    place.make()
    crowd = Crowd(place, rng)
    begun, done, wrong = time.monotonic(), 0, []
    ends: dict[str, int] = {}
    try:
        while done < kills and not wrong:
            for _ in range(min(BALANCE_EVERY, kills - done)):
                done += live(place, crowd, rng)
                crowd.act_between()
            wrong, ends = balance(place, crowd)
            took_s = time.monotonic() - begun
            tell(f"{done} kills, {len(crowd.arrived)} files, {ends}, {took_s:.0f} s")
    finally:
        place.kill()
        crowd.mend(all_of_it=True)
        place.end_what_hangs()
    (folder / "story.txt").write_text("\n".join(crowd.story) + "\n")
    return {
        "seed": seed,
        "kills": done,
        "lives": place.lives,
        "seconds": round(time.monotonic() - begun),
        "files": len(crowd.arrived),
        "ends": ends,
        "done": dict(crowd.counts.most_common()),
        "left_out": place.left_out,
        "wrong": wrong,
    }


def live(place: Place, crowd: Crowd, rng: random.Random) -> int:
    """One life of a daemon; how many kills it took."""
    place.start()
    ends_at = time.monotonic() + rng.uniform(*LIFE_S)
    while time.monotonic() < ends_at:
        if rng.random() < 0.5:
            crowd.act()
        crowd.mend()
        time.sleep(rng.uniform(0, 0.05))
    return int(place.kill())


def balance(place: Place, crowd: Crowd) -> tuple[list[str], dict[str, int]]:
    """Mend everything, come to rest, look at the books."""
    crowd.mend(all_of_it=True)
    make_root(place.root.path)  # as is said of new folders that could not be made meanwhile
    place.allow(*(folder for name in place.destinations for folder in place.folders(name).all()))
    codes = []
    for _ in range(SWEEPS):
        codes.append(place.sweep(SWEEP_S))
        crowd.clears_away()
        if codes[-1] == 0 and not still_to_do(place):
            break
    wrong = list(place.wrong)
    if codes[-1] != 0 or still_to_do(place):
        wrong.append(f"not at rest after {len(codes)} sweeps ({codes}): {still_to_do(place)}")
    books = Books(place, crowd)
    wrong += books.check()
    return wrong, dict(books.ends)


def still_to_do(place: Place) -> list[str]:
    """What waits in hot folders, in release folders and in the ledger."""
    found = [f"{row.id} {row.state}" for row in read_jobs(place.root.ledger)]
    for name in place.destinations:
        folders = place.folders(name)
        found += [
            str(path)
            for path in all_files(folders.hot_folder, folders.release)
            if not path.name.startswith(".") and path.name != "index.html"
        ]
    return found


def main() -> None:
    """Play it, print what came of it, and keep the root when something was wrong."""
    parser = argparse.ArgumentParser(description="Kill a daemon again and again.")
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--without", choices=PARTS, action="append", default=[])
    parser.add_argument("--also", choices=ON_REQUEST, action="append", default=[])
    parser.add_argument("--keep", action="store_true", help="keep the root in any case")
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="hotfolder-chaos-"))
    folder.chmod(0o755)  # the daemon may have another user

    def tell(line: str) -> None:
        sys.stderr.write(line + "\n")

    parts = frozenset(PARTS) - {*asked.without} | {*asked.also}
    found = chaos(asked.kills, asked.seed, folder, tell, parts)
    sys.stdout.write(json.dumps(found | {"wrong": found["wrong"][:12]}, indent=1) + "\n")
    if found["wrong"] or asked.keep:
        sys.stdout.write(f"the root is kept: {folder}\n")
    else:
        Place(folder, parts).remove()
    sys.exit(1 if found["wrong"] else 0)


if __name__ == "__main__":
    main()
