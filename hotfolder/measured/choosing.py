"""Which patches tell most of a medium, by its own profile.

A print drifts in ways that are known: an ink lays more or less at some tone, and the paper changes.
Each is a parameter. How much a patch tells of them is the Fisher information of its colour,
computed through the profile's table from device to L*a*b*. Patches are added one by one, each the
one that makes the determinant of the information largest (D-optimal, exchange left out:
Fedorov 1972, "Theory of Optimal Experiments", sequential designs). Paper, black and five greys are
there in any case, and of CMYK the solid inks: people and sets of limits ask for them.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from hotfolder.colour.arrays import Floats
from hotfolder.colour.engine import to_lab
from hotfolder.colour.medium import by_table, largest_ink_sum
from hotfolder.colour.profile import Profile
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent

Kind = Literal["paper", "black", "grey", "solid", "colour"]
"""What a patch is there for."""

PATCHES: Final = 24
_GREYS: Final = 5
_CODE: Final = 255
"""Device values are whole 255ths, so that results of 8 and 16 bits hold the same colour."""
_KNOTS: Final = (0.0, 0.25, 0.5, 0.75)
_INK_STEP, _PAPER_STEP = 0.02, 0.5
"""One unit of drift: 2 % of a device value, 0.5 of L*, a* or b*. Our own choice."""
_NOISE: Final = 0.35
"""Standard deviation of L*, a* and b* of one reading, print and instrument. Our own choice."""
_APART: Final = 0.04
"""Least distance of two patches in one device value: a file may round to whole per cents."""


@dataclass(frozen=True, eq=False)
class Choice:
    """Patches, in the order in which they are laid out and read."""

    device: Floats
    """Shape (n, channels), 0 … 1."""
    kinds: tuple[Kind, ...]
    predicts: float
    """How far all other colours are predicted from these: RMS over L*, a* and b*, for drift of
    one unit in each parameter at most."""


def choose_patches(profile: Profile, number: int = PATCHES) -> Choice:
    """Choose the patches of a control strip for a medium; always the same for the same profile.

    Parameters
    ----------
    profile
        Of the medium.
    number
        Of patches, with paper, black and greys.

    Raises
    ------
    ProfileError
        When the profile describes an input device only, or its tables cannot be used.
    """
    ramp = _ramp(profile)
    candidates = _candidates(profile, ramp)
    parts = _sensitivities(profile, candidates) / _NOISE
    fixed = _fixed(profile, ramp)
    chosen = [_index(candidates, device) for device, _ in fixed]
    kinds: list[Kind] = [kind for _, kind in fixed]
    size = parts.shape[2]
    information = np.eye(size) * 0.01
    for each in chosen:
        information += parts[each].T @ parts[each]
    while len(chosen) < min(number, len(candidates)):
        gain = _gain(parts, np.linalg.inv(information))
        near = np.abs(candidates[:, None] - candidates[chosen][None]).max(axis=2).min(axis=1)
        gain[near < _APART] = -np.inf
        best = int(np.argmax(np.round(gain, 9)))  # rounded: the first of equals on every machine
        if not np.isfinite(gain[best]):
            break
        chosen.append(best)
        kinds.append("grey" if _is_of(ramp, candidates[best]) else "colour")
        information += parts[best].T @ parts[best]
    device = candidates[chosen]
    order = _reading_order(kinds, absolute_lab(profile, device)[:, 0])
    return Choice(
        device[order],
        tuple(kinds[each] for each in order),
        _predicted(parts * _NOISE, np.linalg.inv(information)),
    )


def absolute_lab(profile: Profile, device: Floats) -> Floats:
    """Say what colours device values are on the medium, absolute colorimetric.

    Parameters
    ----------
    device
        Shape (n, channels), 0 … 1.

    Returns
    -------
    float64, shape (n, 3): L*, a*, b* at D50, against the perfect diffuser.
    """
    codes = np.rint(np.clip(device, 0, 1) * 65535).astype(np.uint16)
    return to_lab(profile, codes, Intent.ABSOLUTE_COLORIMETRIC)


def paper_of(encoding: Encoding) -> Floats:
    """Return the device value that lays no ink, shape (channels,)."""
    return np.full(encoding.channels, 0.0 if encoding is Encoding.CMYK else 1.0)


def _ramp(profile: Profile) -> Floats:
    """Device values from paper to black that should be neutral, lightest first."""
    if profile.encoding is not Encoding.CMYK:
        steps = np.arange(_CODE, -1, -1) / _CODE
        return np.repeat(steps[:, None], profile.encoding.channels, axis=1)
    lightness = np.linspace(100, 0, 101)
    wanted = np.stack([lightness, np.zeros(101), np.zeros(101)], axis=-1)
    made = _whole_codes(by_table(profile, wanted) / 65535)
    made[0] = paper_of(profile.encoding)
    return made


def _candidates(profile: Profile, ramp: Floats) -> Floats:
    channels = profile.encoding.channels
    grid = np.array(list(itertools.product(np.linspace(0, 1, 5), repeat=channels)))
    if profile.encoding is Encoding.CMYK:
        grid = grid[grid.sum(axis=1) <= largest_ink_sum(profile) + 1e-9]
    greys = ramp[:: max(1, len(ramp) // 16)]
    solids = np.array([each for each, kind in _fixed(profile, ramp)])
    return np.unique(np.concatenate([_whole_codes(grid), greys, solids]), axis=0)


def _fixed(profile: Profile, ramp: Floats) -> list[tuple[Floats, Kind]]:
    lightness = absolute_lab(profile, ramp)[:, 0]
    targets = np.linspace(lightness[0], lightness[-1], _GREYS + 2)[1:-1]
    places = [int(np.abs(lightness - each).argmin()) for each in targets]
    found: list[tuple[Floats, Kind]] = [(ramp[0], "paper")]
    found += [(ramp[each], "grey") for each in dict.fromkeys(places)]
    found.append((ramp[-1], "black"))
    if profile.encoding is Encoding.CMYK:
        found += [(each, "solid") for each in np.eye(4)]
    return found


def _sensitivities(profile: Profile, device: Floats) -> Floats:
    """How L*, a* and b* change with one unit of each parameter: shape (n, 3, parameters)."""
    channels = profile.encoding.channels
    lab = absolute_lab(profile, device)
    made = np.zeros((len(device), 3, channels * len(_KNOTS) + 3))
    # from full ink, 0, to none, 1
    empty = 1 - device if profile.encoding is Encoding.CMYK else device
    for channel, (place, knot) in itertools.product(range(channels), enumerate(_KNOTS)):
        bump = np.clip(1 - np.abs(empty[:, channel] - knot) / 0.25, 0, 1)
        step = np.zeros_like(device)
        step[:, channel] = _INK_STEP * bump
        change = absolute_lab(profile, device + step) - absolute_lab(profile, device - step)
        made[:, :, channel * len(_KNOTS) + place] = change / 2
    weight = (lab[:, 0] / 100) ** 2  # the paper shows through less, the darker the print
    for axis in range(3):
        made[:, axis, channels * len(_KNOTS) + axis] = _PAPER_STEP * weight
    return made


def _gain(parts: Floats, covariance: Floats) -> Floats:
    """By what factor each patch would raise the determinant (matrix determinant lemma)."""
    inner = np.einsum("nik,kl,njl->nij", parts, covariance, parts)
    gain: Floats = np.linalg.slogdet(np.eye(3) + inner)[1]
    return gain


def _predicted(parts: Floats, covariance: Floats) -> float:
    variance = np.einsum("nik,kl,nil->n", parts, covariance, parts)
    return float(np.sqrt(variance.mean()))


def _reading_order(kinds: list[Kind], lightness: Floats) -> list[int]:
    rank = {"paper": 0, "grey": 1, "black": 2, "solid": 3, "colour": 4}
    return sorted(
        range(len(kinds)),
        key=lambda each: (rank[kinds[each]], -lightness[each] if kinds[each] == "grey" else each),
    )


def _whole_codes(device: Floats) -> Floats:
    made: Floats = np.rint(np.asarray(device, np.float64) * _CODE) / _CODE
    return made


def _index(candidates: Floats, device: Floats) -> int:
    return int(np.abs(candidates - device).sum(axis=1).argmin())


def _is_of(ramp: Floats, device: Floats) -> bool:
    return bool((np.abs(ramp - device).max(axis=1) < 1e-9).any())
