"""Control charts: whether a medium has drifted since its first accepted print.

Each number of a print, with its sign, has a chart of its own: an exponentially weighted moving
average (EWMA) of how far it is from what went before. Signs matter: a colour difference is never
negative, so its average rises with noise alone and a drift back looks like a drift on.

The level and the spread of a new medium are not known, and a first print would be a poor guess of
them. So each print is compared with all those before it that were in control, and the difference is
brought to a standard normal number (Hawkins 1987; Quesenberry 1991), which has the run lengths of a
chart with known parameters while nothing drifts. Of the spread something is known before the first
print: `PRIOR_SD`, worth `PRIOR_PRINTS` prints.

References
----------
Roberts, S. W. (1959). Control chart tests based on geometric moving averages. Technometrics 1(3).
Lucas, J. M. & Saccucci, M. S. (1990). Exponentially weighted moving average control schemes:
properties and enhancements. Technometrics 32(1).
Hawkins, D. M. (1987). Self-starting CUSUM charts for location and scale. The Statistician 36(4).
Quesenberry, C. P. (1991). SPC Q charts for start-up processes. J. Quality Technology 23(3).
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
"""In standard deviations of the average (L): one false alarm in about 370 prints per chart."""
PRIOR_SD: Final = 0.3
"""Standard deviation of L*, a* or b* from print to print, instrument included; our judgement."""
PRIOR_PRINTS: Final = 10
LEAST_SD: Final = 0.1
"""What an instrument repeats at best; smaller spreads are rounding."""


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


def chart(values: Sequence[float], prior_sd: float = PRIOR_SD) -> Charted:
    """Follow one number from its first print to its latest.

    Parameters
    ----------
    values
        Of each print, in order; at least one.
    prior_sd
        What its standard deviation is thought to be before the first print.
    """
    in_control = [values[0]]
    ewma, alarmed_at, since = 0.0, None, None
    limits = limits_of(max(1, len(values) - 1))
    for at, value in enumerate(values[1:], 1):
        ewma = WEIGHT * _standard(value, in_control, prior_sd) + (1 - WEIGHT) * ewma
        if alarmed_at is None and abs(ewma) > limits[at - 1]:
            alarmed_at, since = at, _find_change(values[: at + 1])
        if alarmed_at is None:
            in_control.append(value)
    return Charted(
        value=float(values[-1] - values[0]),
        ewma=float(ewma),
        limit=float(limits[-1]),
        alarm=alarmed_at is not None,
        since=since,
        alarmed_at=alarmed_at,
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


def _standard(value: float, before: Sequence[float], prior_sd: float) -> float:
    """How far a print is from those before it, as a standard normal number."""
    count = len(before)
    squares = float(np.var(before)) * count
    freedom = PRIOR_PRINTS + count - 1
    sd = max(LEAST_SD, float(np.sqrt((PRIOR_PRINTS * prior_sd**2 + squares) / freedom)))
    apart = (value - float(np.mean(before))) / (sd * np.sqrt(1 + 1 / count))
    # by the tail, which keeps its digits where the probability is nearly 1
    tail = scipy.stats.t.sf(abs(apart), freedom)
    return float(np.sign(apart) * min(8.0, scipy.stats.norm.isf(max(tail, 1e-300))))
