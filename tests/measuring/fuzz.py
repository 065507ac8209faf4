"""Change measurement files at random: nothing may crash, and no column or row may shift.

``PYTHONPATH=tests .venv/bin/python -m measuring.fuzz 20000`` is the long form.
"""

import random
import sys
import tempfile
from pathlib import Path

import numpy as np

from hotfolder.measured.control_strip import make_control_strip
from hotfolder.measured.matching import check_plausible, find_strip, match_patches
from hotfolder.measured.reading import read_measurement
from hotfolder.measured.table import NotUsable
from hotfolder.overview.new_root import make_root
from hotfolder.settings.files import load_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from measuring import files

MOST_WRONG = 6
"""Patches whose own digits up to three small changes can have hit."""


def read(text, strip, name="strip.txt", encoding="utf-8", *, other_paper=False):
    """L*a*b* in the order of the strip, as a file dropped for it is read."""
    data = text if isinstance(text, bytes) else text.encode(encoding)
    measured = read_measurement(data, name)
    found = find_strip(measured, name, [strip], strip.destination, strip.profile_sha256, "")
    rows = match_patches(measured, found)
    where = [measured.where[each] for each in rows]
    check_plausible(measured.lab[rows], found, where, other_paper=other_paper)
    return measured.lab[rows]


def mutate(data, rng):
    """One to three changes of bytes, words or lines."""
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(data) + 1)
        end = min(len(data), at + rng.choice([1, 1, 2, 8, 40]))
        other = rng.choice([b"", b" ", b"\n", b"nan", b",", b"\0", b'"', b"#", b"1", b"END_DATA"])
        match rng.randrange(4):
            case 0:
                data = data[:at] + other + data[end:]
            case 1:
                data = data[:at] + other + data[at:]
            case 2:
                data = data[:at] + data[at:end] * 2 + data[end:]
            case 3:
                words = data.split(b" ")
                one, two = (rng.randrange(len(words)) for _ in range(2))
                words[one], words[two] = words[two], words[one]
                data = b" ".join(words)
    return data


def check_mutations(strip, printed, number, seed=1):
    """Return how many changed files are still read: with each patch's colours where they were."""
    rng, taken = random.Random(seed), 0
    made = [
        files.cgats(strip, printed).encode(),
        files.csv(strip, printed).encode("utf-16"),
        files.cxf(strip, printed).encode(),
    ]
    for turn in range(number):
        data = mutate(made[2 if turn % 12 == 0 else turn % 2], rng)
        try:
            lab = read(data, strip)
        except NotUsable:
            continue
        taken += 1
        wrong = np.abs(lab - printed).max(axis=1) > 0.001
        assert wrong.sum() <= MOST_WRONG, (turn, data)
    return taken


def main():
    """Try as many as are asked for."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    with tempfile.TemporaryDirectory() as folder:
        make_root(Path(folder))
        file = Path(folder) / "destinations" / "fine-art-canvas.toml"
        strip = make_control_strip(load_destination(file, load_registry(), Intake()))
    taken = check_mutations(strip, strip.lab.round(4), number, seed=number)
    sys.stdout.write(f"{number} changed files: {taken} read rightly, the others refused\n")


if __name__ == "__main__":
    main()
