"""What a proof sheet costs: a job's time with the stage and without it.

::

    .venv/bin/python tests/benchmarks/sheet.py            # 24 MP, three rounds
    .venv/bin/python tests/benchmarks/sheet.py --megapixels 6 --rounds 1

Each run is a process of its own, and all take turns: without the stage, with it where the page is
made for held jobs only and this one is delivered, and with the page. The sheet's share is of the
job with it, once of its time and once of its processor time; on a machine that does other work only
the second says something.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from chain import destination, prepare
from measured import add_write_option, show
from rich.table import Table

CASES = ("same size", "enlarged 2:1", "for the web")


WHICH = ("without", "held", "all")
"""No stage; sheets of held jobs only; of all jobs."""


def run_one(case: str, folder: Path, which: str) -> None:
    """In a process of its own, as a worker: imports first, then the work; say what it took."""
    import hotfolder.work.preload
    import hotfolder.work.worker  # noqa: F401 - both are what the forkserver has loaded
    from hotfolder.settings.files import check_destination
    from hotfolder.settings.tables import Intake
    from hotfolder.stages.registry import load_registry
    from hotfolder.work.order import Order
    from hotfolder.work.pipeline import run

    registry = load_registry()
    raw: dict[str, Any] = destination(case)
    if which != "without":
        raw["keep_sheets"] = which
        at = raw["stages"].index("profile-conversion")
        raw["stages"] = [*raw["stages"][:at], "proof-sheet", *raw["stages"][at:]]
    checked = check_destination(folder / "destinations" / "bench.toml", raw, registry, Intake())
    original = folder / "original.tif"
    with tempfile.TemporaryDirectory(dir=folder) as out:
        order = Order("bench", original, original.name, "0" * 64, 1, Path(out), folder / "profiles")
        before = time.perf_counter(), time.process_time()
        run(order, checked, registry, lambda _doing, _share: None)
        after = time.perf_counter(), time.process_time()
        print(json.dumps([end - start for start, end in zip(before, after, strict=True)]))


def main() -> None:
    """Measure, and print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=float, default=24.0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--run", choices=WHICH)
    parser.add_argument("--case", choices=CASES)
    parser.add_argument("--folder", type=Path)
    add_write_option(parser)
    asked = parser.parse_args()
    if asked.run:
        run_one(asked.case, asked.folder, asked.run)
        return
    table = Table("case", "of", "without the stage, s", "no page, s", "a page, s")
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        prepare(Path(name), asked.megapixels)
        for case in CASES:
            taken: dict[str, list[list[float]]] = {which: [] for which in WHICH}
            for _ in range(asked.rounds):
                for which, times in taken.items():
                    command = [sys.executable, __file__, "--run", which, "--case", case]
                    done = subprocess.run(
                        [*command, "--folder", name], capture_output=True, text=True, check=True
                    )
                    times.append(json.loads(done.stdout.splitlines()[-1]))
            for at, what in enumerate(("time", "processor time")):
                plain, held, shown = (
                    statistics.median(each[at] for each in taken[which]) for which in WHICH
                )
                table.add_row(
                    case,
                    what,
                    f"{plain:.2f}",
                    f"{held:.2f} ({(held - plain) / held:.1%})",
                    f"{shown:.2f} ({(shown - plain) / shown:.1%})",
                )
    show([table], write=asked.write)


if __name__ == "__main__":
    main()
