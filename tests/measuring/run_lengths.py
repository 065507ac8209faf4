"""How many prints a control chart lets pass before it says that something has drifted.

``PYTHONPATH=tests .venv/bin/python -m measuring.run_lengths 20000`` prints a table.
"""

import sys

import numpy as np
from scipy.stats import norm

from hotfolder.measured.drift import LIMIT, WEIGHT, average, chart, limits_of


def mean_run_length(shift, *, limit, widening, runs, prints, slope=0.0, seed=1):
    """Prints until the alarm, on average over simulated runs with known level and spread."""
    rng = np.random.default_rng(seed)
    values = rng.normal(0, 1, (runs, prints)) + shift + slope * np.arange(prints)
    limits = limits_of(prints, WEIGHT, limit)
    beyond = np.abs(average(values)) > (limits if widening else limits[-1])
    return float(np.where(beyond.any(axis=1), beyond.argmax(axis=1) + 1, prints).mean())


def solve_run_length(shift, weight, limit, nodes=200):
    """The same for limits that do not widen, by Crowder's integral equation (1987), no chance."""
    edge = limit * np.sqrt(weight / (2 - weight))
    at, parts = np.polynomial.legendre.leggauss(nodes)
    at, parts = at * edge, parts * edge
    kernel = norm.pdf((at[None] - (1 - weight) * at[:, None]) / weight - shift) / weight
    lengths = np.linalg.solve(np.eye(nodes) - kernel * parts[None], np.ones(nodes))
    start = norm.pdf(at / weight - shift) / weight
    return float(1 + (start * parts * lengths).sum())


def self_started(shift, at, prints, runs, sd=0.3, seed=2):
    """Prints from a step to the alarm, and how far its date is off; false alarms left out."""
    rng = np.random.default_rng(seed)
    delays, dated = [], []
    for _ in range(runs):
        values = list(rng.normal(0, sd, prints))
        for later in range(at, prints):
            values[later] += shift
        found = chart(values)
        if found.alarmed_at is None:
            delays.append(prints - at)
        elif found.alarmed_at >= at:
            delays.append(found.alarmed_at - at + 1)
            dated.append(found.since - at)
    return delays, np.array(dated)


def main():
    """Print run lengths."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    for shift in (0.0, 0.5, 1.0, 2.0):
        prints = 3000 if shift == 0 else 600
        found = mean_run_length(shift, limit=LIMIT, widening=True, runs=runs, prints=prints)
        solved = solve_run_length(shift, WEIGHT, LIMIT)
        sys.stdout.write(f"{shift} sd: {found:.1f}; limits that do not widen {solved:.1f}\n")
    ramp = mean_run_length(0, limit=LIMIT, widening=True, runs=runs, prints=300, slope=0.1)
    sys.stdout.write(f"ramp of 0.1 sd a print: {ramp:.1f}\n")
    for sd in (0.2, 0.3, 0.5):
        rng = np.random.default_rng(5)
        lengths = []
        for _ in range(max(20, runs // 200)):
            found = chart(list(rng.normal(0, sd, 600)))
            lengths.append(600 if found.alarmed_at is None else found.alarmed_at)
        delays, _ = self_started(2 * sd, 20, 60, max(20, runs // 200), sd)
        sys.stdout.write(
            f"self-started, sd {sd}: {np.mean(lengths):.0f} prints without drift (600 at most), "
            f"{np.mean(delays):.1f} after a step of 2 sd\n"
        )


if __name__ == "__main__":
    main()
