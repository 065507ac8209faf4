"""Control charts: prints until an alarm, without drift and after a step, and what is predicted.

::

    .venv/bin/python tests/benchmarks/drift.py            # 2,000 runs, about a minute
    .venv/bin/python tests/benchmarks/drift.py --runs 20000
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from measured import add_write_option, show
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1]))

from hotfolder.measured.drift import FAMILY_LIMIT, LIMIT, WEIGHT
from measuring.run_lengths import (  # the tests' own simulations
    correlate,
    family_run_length,
    make_strip,
    mean_run_length,
    self_started_family,
    solve_run_length,
)


def main() -> None:
    """Measure, and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=2000)
    add_write_option(parser)
    asked = parser.parse_args()
    one = Table("L", "no drift", "0.5 sd", "1 sd", "2 sd", title="one chart: simulated (solved)")
    for limit in (LIMIT, FAMILY_LIMIT):
        cells = []
        for shift in (0.0, 0.5, 1.0, 2.0):
            runs = asked.runs if shift else max(200, asked.runs // 5)
            prints = 1200 if shift else 20_000
            found = mean_run_length(shift, limit=limit, widening=True, runs=runs, prints=prints)
            cells.append(f"{found:.1f} ({solve_run_length(shift, WEIGHT, limit):.1f})")
        one.add_row(str(limit), *cells)
    several = Table("prints differ as wholes", "L", "no drift", "0.5 sd", "1 sd", "2 sd",
                    title="all nine charts; the step is in one of them")  # fmt: skip
    strip = make_strip()
    for whole in (0.0, 0.5, 1.0):
        correlation = correlate(strip, whole=whole)
        for limit in (LIMIT, FAMILY_LIMIT):
            lengths = [
                family_run_length(
                    correlation, limit=limit, runs=asked.runs, prints=4000, shift=shift
                )
                for shift in (0.0, 0.5, 1.0, 2.0)
            ]
            several.add_row(f"{whole:g}", str(limit), *(f"{each:.1f}" for each in lengths))
    started = Table("spread, of what is thought", "no drift, 1500 at most",
                    title="all charts, level and spread not known before")  # fmt: skip
    correlation = correlate(strip)
    for share in (0.5, 1.0, 1.5, 2.0):
        found = self_started_family(
            correlation, limit=FAMILY_LIMIT, runs=max(50, asked.runs // 20), prints=1500,
            sd=0.3 * share, prior_sd=0.3,
        )  # fmt: skip
        started.add_row(f"{share:g}", f"{found:.0f}")
    show([one, several, started], write=asked.write)


if __name__ == "__main__":
    main()
