"""How many prints a control chart lets pass before it says that something has drifted.

``PYTHONPATH=tests .venv/bin/python -m measuring.run_lengths 20000`` prints a table.
"""

import sys
from pathlib import Path

import numpy as np

from hotfolder.measured.drift import (
    FAMILY_LIMIT,
    LIMIT,
    WEIGHT,
    average,
    chart,
    limits_of,
    standardise,
)
from hotfolder.measured.verdict import followed


def mean_run_length(shift, *, limit, widening, runs, prints, slope=0.0, seed=1):
    """Prints until the alarm, on average over simulated runs with known level and spread."""
    rng = np.random.default_rng(seed)
    values = rng.normal(0, 1, (runs, prints)) + shift + slope * np.arange(prints)
    limits = limits_of(prints, WEIGHT, limit)
    beyond = np.abs(average(values)) > (limits if widening else limits[-1])
    return float(np.where(beyond.any(axis=1), beyond.argmax(axis=1) + 1, prints).mean())


def solve_run_length(shift, weight, limit, nodes=200):
    """The same for limits that do not widen, by Crowder's integral equation (1987), no chance."""
    from scipy.stats import norm  # costs half a second

    edge = limit * np.sqrt(weight / (2 - weight))
    at, parts = np.polynomial.legendre.leggauss(nodes)
    at, parts = at * edge, parts * edge
    kernel = norm.pdf((at[None] - (1 - weight) * at[:, None]) / weight - shift) / weight
    lengths = np.linalg.solve(np.eye(nodes) - kernel * parts[None], np.ones(nodes))
    start = norm.pdf(at / weight - shift) / weight
    return float(1 + (start * parts * lengths).sum())


def correlate(strip, *, whole=0.5):
    """How the numbers that are followed depend on each other, from print to print.

    whole: how far prints differ as wholes, in L*, a* and b*, for 1 of each patch on its own.
    """
    names, step, lab = list(followed(strip.lab, strip)), 1e-4, strip.lab.ravel()
    parts = np.empty((len(names), lab.size))
    for at in range(lab.size):
        ends = []
        for sign in (1, -1):
            moved = lab.copy()
            moved[at] += sign * step
            ends.append(list(followed(moved.reshape(-1, 3), strip).values()))
        parts[:, at] = (np.array(ends[0]) - ends[1]) / (2 * step)
    as_wholes = whole * parts.reshape(len(names), -1, 3).sum(axis=1)
    covariance = parts @ parts.T + as_wholes @ as_wholes.T
    spread = np.sqrt(np.diag(covariance))
    return covariance / np.outer(spread, spread)


def family_run_length(correlation, *, limit, runs, prints, shift=0.0, moved=0, seed=4):
    """Prints until the first alarm of several charts, level and spread known.

    moved: the chart that a step of `shift` standard deviations moves.
    """
    rng = np.random.default_rng(seed)
    mix = np.linalg.cholesky(correlation + 1e-9 * np.eye(len(correlation)))
    limits, lengths = limits_of(prints, WEIGHT, limit), np.full(runs, prints)
    steps = shift * (np.arange(len(correlation)) == moved)
    state, going = np.zeros((runs, len(correlation))), np.arange(runs)
    for at in range(prints):
        fresh = rng.normal(size=(len(going), len(correlation))) @ mix.T + steps
        state = (1 - WEIGHT) * state + WEIGHT * fresh
        beyond = np.abs(state).max(axis=1) > limits[at]
        lengths[going[beyond]] = at + 1
        state, going = state[~beyond], going[~beyond]
    return float(lengths.mean())


def self_started_family(correlation, *, limit, runs, prints, sd, prior_sd, seed=6):
    """The same, when neither level nor spread is known before the first print."""
    rng = np.random.default_rng(seed)
    mix = np.linalg.cholesky(correlation + 1e-9 * np.eye(len(correlation)))
    values = sd * np.einsum("ij,rjp->rip", mix, rng.normal(size=(runs, len(correlation), prints)))
    beyond = np.abs(average(standardise(values, np.float64(prior_sd)))) > limits_of(
        prints - 1, WEIGHT, limit
    )
    any_of = beyond.any(axis=1)
    return float(np.where(any_of.any(axis=1), any_of.argmax(axis=1) + 1, prints).mean())


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
    say = sys.stdout.write
    for limit in (LIMIT, FAMILY_LIMIT):
        say(f"one chart, L {limit}\n")
        for shift in (0.0, 0.5, 1.0, 2.0):
            prints = 20_000 if shift == 0 else 1200
            tried = runs // 10 if shift == 0 else runs
            found = mean_run_length(shift, limit=limit, widening=True, runs=tried, prints=prints)
            solved = solve_run_length(shift, WEIGHT, limit)
            say(f"  {shift} sd: {found:.1f}; limits that do not widen {solved:.1f}\n")
        ramp = mean_run_length(0, limit=limit, widening=True, runs=runs, prints=300, slope=0.1)
        say(f"  ramp of 0.1 sd a print: {ramp:.1f}\n")
    strip = make_strip()
    for whole in (0.0, 0.5, 1.0):
        correlation = correlate(strip, whole=whole)
        say(f"all charts, prints differ as wholes by {whole} of a patch's own noise\n")
        for limit in (LIMIT, FAMILY_LIMIT):
            asked = {"limit": limit, "runs": max(200, runs // 10)}
            found = family_run_length(correlation, prints=4000, **asked)
            say(f"  L {limit}: {found:.0f} prints without drift\n")
        for shift in (0.5, 1.0, 2.0):
            asked = {"limit": FAMILY_LIMIT, "runs": runs // 4, "prints": 1500, "shift": shift}
            say(f"  a step of {shift} sd: {family_run_length(correlation, **asked):.1f}\n")
    correlation = correlate(strip)
    for of_prior in (0.5, 1.0, 1.5, 2.0):
        asked = {"limit": FAMILY_LIMIT, "runs": max(50, runs // 100), "prints": 1500}
        found = self_started_family(correlation, sd=0.3 * of_prior, prior_sd=0.3, **asked)
        say(f"self-started, spread {of_prior} of what is thought: {found:.0f} (1500 at most)\n")


def make_strip():
    import tempfile

    from hotfolder.measured.control_strip import make_control_strip
    from hotfolder.overview.new_root import make_root
    from hotfolder.settings.files import load_destination
    from hotfolder.settings.tables import Intake
    from hotfolder.stages.registry import load_registry

    with tempfile.TemporaryDirectory() as name:
        root = Path(name) / "root"
        make_root(root)
        file = root / "destinations" / "fine-art-canvas.toml"
        return make_control_strip(load_destination(file, load_registry(), Intake()))


if __name__ == "__main__":
    main()
