"""Control charts: whether a medium has drifted since its first accepted print.

Each number of a print, with its sign, has a chart of its own: an exponentially weighted moving
average (EWMA) of how far it is from what went before. Signs matter: a colour difference is never
negative, so its average rises with noise alone and a drift back looks like a drift on.

The level and the spread of a new medium are not known, and a first print would be a poor guess of
them. So each print is compared with all those before it that were in control, and the difference is
brought to a standard normal number (Hawkins 1987; Quesenberry 1991), which has the run lengths of a
chart with known parameters while nothing drifts. Of the spread something is known before the first
print: `PRIOR_SD`, worth `PRIOR_PRINTS` prints.

A medium is followed by several charts, and the first of them that alarms is what a person hears. So
the limits of each are wider than those of one chart alone: all together let as many prints pass as
one published chart does. However the numbers depend on each other, the chance that none of them
alarms is no less than if they were independent (Royen 2014), for which the limit follows from the
run length of one chart (Crowder 1987); tests/measuring/run_lengths.py computes it and tries it out.

References
----------
Roberts, S. W. (1959). Control chart tests based on geometric moving averages. Technometrics 1(3).
Lucas, J. M. & Saccucci, M. S. (1990). Exponentially weighted moving average control schemes:
properties and enhancements. Technometrics 32(1).
Hawkins, D. M. (1987). Self-starting CUSUM charts for location and scale. The Statistician 36(4).
Quesenberry, C. P. (1991). SPC Q charts for start-up processes. J. Quality Technology 23(3).
Crowder, S. V. (1987). A simple method for studying run-length distributions of exponentially
weighted moving average charts. Technometrics 29(4).
Royen, T. (2014). A simple proof of the Gaussian correlation conjecture. arXiv:1408.1028.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy

from hotfolder.colour.arrays import Floats

WEIGHT: Final = 0.2
"""Of the latest print (λ)."""
LIMIT: Final = 2.86
"""In standard deviations of the average (L): one chart alone alarms falsely after 370 prints."""
FAMILY: Final = 9
"""So many numbers of a print are followed."""
FAMILY_LIMIT: Final = 3.54
"""The limit (L) of each of them, with which all together alarm falsely after 370 to 400 prints."""
PRIOR_SD: Final = 0.3
"""Standard deviation of L*, a* or b* from print to print, instrument included; our judgement."""
PRIOR_PRINTS: Final = 10
LEAST_SD: Final = 0.1
"""What an instrument repeats at best; smaller spreads are rounding."""
_FURTHEST: Final = 8.0
"""Standard deviations; how much further a print is off says nothing more."""


@dataclass(frozen=True)
class Charted:
    """One number after its latest print."""

    value: float
    """The latest print less the first one."""
    ewma: float
    """Average, in standard deviations of one print, signed."""
    limit: float
    """What the average must not pass, up or down."""
    alarm: bool
    """Whether it has passed it, now or before; only a new chart ends an alarm."""
    since: int | None
    """The first print concerned, counted from 0; None while there is no alarm."""
    alarmed_at: int | None
    """The print at which the alarm was raised; None while there is no alarm."""
    path: tuple[float, ...]
    """The average after each print but the first."""


def limits_of(count: int, weight: float = WEIGHT, limit: float = LIMIT) -> Floats:
    """Return the limits of the average after 1 … `count` prints, in standard deviations."""
    prints = np.arange(1, count + 1)
    made: Floats = limit * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * prints)))
    return made


def average(values: Floats, weight: float = WEIGHT) -> Floats:
    """Return the moving average along the last axis; it begins at 0."""
    values = np.asarray(values, np.float64)
    made = np.empty_like(values)
    last = np.zeros(values.shape[:-1])
    for at in range(values.shape[-1]):
        last = weight * values[..., at] + (1 - weight) * last
        made[..., at] = last
    return made


def standardise(
    values: Floats, prior_sd: float | Floats = PRIOR_SD, known: int | None = None
) -> Floats:
    """Bring prints to standard normal numbers, each by those before it.

    Parameters
    ----------
    values
        Of each print, in order along the last axis: at least one.
    prior_sd
        What their standard deviation is thought to be before the first print; without the last
        axis.
    known
        So many prints were in control: later ones are compared with these alone.

    Returns
    -------
    Of each print after the first: shape (…, prints - 1).
    """
    values = np.asarray(values, np.float64)
    values = values - values[..., :1]
    count = np.arange(1, values.shape[-1])
    if known is not None:
        count = np.minimum(count, known)
    sums = np.cumsum(values, axis=-1)[..., count - 1]
    squares = np.cumsum(values**2, axis=-1)[..., count - 1] - sums**2 / count
    prior = PRIOR_PRINTS * np.asarray(prior_sd, np.float64)[..., None] ** 2
    freedom = PRIOR_PRINTS + count - 1
    sd = np.maximum(LEAST_SD, np.sqrt((prior + np.maximum(squares, 0)) / freedom))
    apart = (values[..., 1:] - sums / count) / (sd * np.sqrt(1 + 1 / count))
    # by the tail, which keeps its digits where the probability is nearly 1
    tail = np.maximum(scipy.stats.t.sf(np.abs(apart), freedom), 1e-300)
    made: Floats = np.sign(apart) * np.minimum(_FURTHEST, scipy.stats.norm.isf(tail))
    return made


def chart(values: Sequence[float], prior_sd: float = PRIOR_SD, limit: float = LIMIT) -> Charted:
    """Follow one number from its first print to its latest.

    Parameters
    ----------
    values
        Of each print, in order; at least one.
    prior_sd
        What its standard deviation is thought to be before the first print.
    limit
        `LIMIT` of one chart alone, `FAMILY_LIMIT` of one in a family.
    """
    found = np.asarray(values, np.float64)
    ewma = average(standardise(found, prior_sd))
    limits = limits_of(max(1, len(ewma)), limit=limit)
    alarmed_at = since = None
    if (beyond := np.abs(ewma) > limits[: len(ewma)]).any():
        alarmed_at = int(beyond.argmax()) + 1
        since = _find_change(values[: alarmed_at + 1])
        ewma = average(standardise(found, prior_sd, alarmed_at))
    return Charted(
        value=float(found[-1] - found[0]),
        ewma=float(ewma[-1]) if len(ewma) else 0.0,
        limit=float(limits[-1]),
        alarm=alarmed_at is not None,
        since=since,
        alarmed_at=alarmed_at,
        path=tuple(float(each) for each in ewma),
    )


def _find_change(values: Sequence[float]) -> int:
    """Return the first print after the change, by where the means before and after differ most."""
    found = np.asarray(values)
    count = len(found)
    splits = np.arange(1, count)
    before = np.cumsum(found)[:-1] / splits
    after = np.cumsum(found[::-1])[:-1][::-1] / (count - splits)
    weight = splits * (count - splits) / count  # maximum likelihood for a step, equal spreads
    return int(np.argmax(weight * (after - before) ** 2)) + 1
