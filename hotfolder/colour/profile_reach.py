"""How far a profile's medium reaches: its gamut, and its blacks by intent against the darkest.

Colours are L*a*b* relative to the medium's white. All of them come from LittleCMS without its grid.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes, Floats
from hotfolder.colour.engine import BLACK_POINT_COMPENSATION, NO_GRID, call, to_lab
from hotfolder.colour.gamut import gamut_volume
from hotfolder.colour.profile import Profile, lab_profile
from hotfolder.colour.slabs import over_slabs
from hotfolder.model.intent import Intent

_SEED = 0
EDGE_LIGHTNESS_BINS: Final = 40
"""Slices of 2.5 L* in which the gamut's edge is looked for."""

EDGE_HUE_BINS: Final = 72
"""Sectors of 5° in which the gamut's edge is looked for."""

_CODES_PER_CALL = 20_000
_BLACK_CHROMA = 3.0
"""C*ab that a black may have and still count as one; more, if the profile's own black has more."""
_BLACK_ROUNDS = 12
_BLACK_TRIES = 600
_DEVICE_SIDE = {1: 1025, 3: 41, 4: 17}
_FACE_SIDE = {3: 129, 4: 49}


@dataclass(frozen=True, eq=False)
class Gamut:
    """Which colours the medium can make, within its ink limit."""

    volume: float
    """In cubic units of CIELAB."""

    edge: NDArray[np.float64] = field(repr=False)
    """Largest C*ab by lightness and hue, shape (`EDGE_LIGHTNESS_BINS`, `EDGE_HUE_BINS`); 0
    where there is no colour."""


@dataclass(frozen=True)
class Black:
    """A black that comes out."""

    name: str
    """By which way, in words: ``"perceptual"``, …, ``"the darkest there is"``."""

    lab: tuple[float, float, float]
    """Its colour."""

    device: tuple[float, ...]
    """Its device values, 0 … 1."""


def _codes(device: Floats) -> Codes:
    return np.rint(np.clip(device, 0, 1) * 65535).astype(np.uint16)


def colours_of(profile: Profile, device: Floats) -> NDArray[np.float64]:
    """L*a*b* of device values, shape (n, channels), 0 … 1."""
    codes = _codes(device)
    parts = over_slabs(
        lambda start, stop: to_lab(profile, codes[start:stop]),
        len(codes),
        1,
        worth_a_thread=_CODES_PER_CALL,
    )
    return np.concatenate(parts)


def to_device(profile: Profile, lab: Floats, intent: Intent, flags: int = 0) -> Floats:
    """Device values, 0 … 1, that the profile's table makes of colours, shape (n, 3)."""
    codes: Codes = call(
        np.ascontiguousarray(lab)[None], lab_profile(), profile, intent, NO_GRID | flags, np.uint16
    )
    return codes.reshape(len(lab), -1) / 65535


def intents_of(profile: Profile) -> list[Intent]:
    """The intents with a table of their own; relative colorimetric in any case."""
    asked = (Intent.PERCEPTUAL, Intent.RELATIVE_COLORIMETRIC, Intent.SATURATION)
    places: set[object] = set()
    found = []
    for intent in asked:
        place = profile.tags.get(f"B2A{intent.code}")
        if intent is not Intent.RELATIVE_COLORIMETRIC and (place is None or place in places):
            continue
        places.add(place)
        found.append(intent)
    return found


def measure_gamut(profile: Profile, limit: float | None) -> Gamut:
    """Measure which colours a device of three or four channels can make.

    Parameters
    ----------
    profile
        RGB or CMYK.
    limit
        Sum of inks that the medium bears, 1 is one solid ink; None for no limit.
    """
    lab = colours_of(profile, _device_values(profile, limit))
    rows = EDGE_LIGHTNESS_BINS
    row = np.clip(lab[:, 0] / 100 * rows, 0, rows - 1).astype(int)
    hue = np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) % 360
    column = np.minimum((hue / 360 * EDGE_HUE_BINS).astype(int), EDGE_HUE_BINS - 1)
    edge = np.zeros((rows, EDGE_HUE_BINS))
    np.maximum.at(edge, (row, column), np.hypot(lab[:, 1], lab[:, 2]))
    # A dip of a single sector is one that too few device values fell into.
    edge = scipy.ndimage.grey_closing(edge, size=(1, 3), mode="wrap")
    # without a limit a separation may have all of its inks at once
    most = float(profile.encoding.channels) if limit is None else limit
    return Gamut(gamut_volume(profile, most), edge)


def _device_values(profile: Profile, limit: float | None) -> Floats:
    """Device values everywhere and, closer, on the faces of device space, where the edge is."""
    channels = profile.encoding.channels
    side = np.linspace(0, 1, _DEVICE_SIDE[channels])
    inner = np.stack(np.meshgrid(*[side] * channels, indexing="ij"), axis=-1)
    parts = [inner.reshape(-1, channels)]
    if channels >= 3:
        line = np.linspace(0, 1, _FACE_SIDE[channels])
        plane = np.stack(np.meshgrid(line, line, indexing="ij"), axis=-1).reshape(-1, 2)
        for first in range(channels):
            for second in range(first + 1, channels):
                others = [each for each in range(channels) if each not in (first, second)]
                for ends in np.ndindex(*[2] * len(others)):
                    face = np.empty((len(plane), channels))
                    face[:, [first, second]] = plane
                    face[:, others] = ends
                    parts.append(face)
    device = np.concatenate(parts)
    if limit is not None:
        device = device[device.sum(axis=1) <= limit + 1e-9]
    return device


def measure_blacks(profile: Profile, limit: float | None) -> tuple[Black, ...]:
    """Measure how dark a black comes out by each intent, and the darkest there is.

    Parameters
    ----------
    profile
        RGB, grey or CMYK.
    limit
        Sum of inks that the medium bears, 1 is one solid ink; None for no limit.
    """
    found = []
    black = np.zeros((1, 3))
    if profile.can_be_destination:
        ways = [(str(each).replace("-", " "), each, 0) for each in intents_of(profile)]
        relative = Intent.RELATIVE_COLORIMETRIC
        name = f"{str(relative).replace('-', ' ')}, black point compensation"
        ways.append((name, relative, BLACK_POINT_COMPENSATION))
        for name, intent, flags in ways:
            device = to_device(profile, black, intent, flags)
            found.append(_black(name, profile, device))
    most = max((float(np.hypot(*each.lab[1:])) for each in found), default=0.0)
    found.append(_find_darkest(profile, limit, max(most, _BLACK_CHROMA)))
    return tuple(found)


def _black(name: str, profile: Profile, device: Floats) -> Black:
    L, a, b = colours_of(profile, device)[0].tolist()
    return Black(name, (L, a, b), tuple(device[0].tolist()))


def _find_darkest(profile: Profile, limit: float | None, chroma: float) -> Black:
    """Search all device values within the ink limit for the least L*, no more coloured than that.

    First everywhere, then ever closer around the best; random, with a fixed seed.
    """
    cap = np.inf if limit is None else limit
    generator = np.random.default_rng(_SEED)

    def ordered(device: Floats) -> Floats:
        device = device[device.sum(axis=1) <= cap + 1e-9]
        lab = colours_of(profile, device)
        coloured = np.maximum(np.hypot(lab[:, 1], lab[:, 2]) - chroma, 0)
        best: Floats = device[np.argsort(lab[:, 0] + 10 * coloured, kind="stable")[:8]]
        return best

    best = ordered(_device_values(profile, limit))
    reach = 1 / _DEVICE_SIDE[profile.encoding.channels]
    for _ in range(_BLACK_ROUNDS):
        moved = best[:, None] + generator.normal(
            0, reach, (len(best), _BLACK_TRIES // len(best), best.shape[1])
        )
        tried = np.clip(moved.reshape(-1, best.shape[1]), 0, 1)
        sums = np.maximum(tried.sum(axis=1), 1e-9)
        tried *= np.minimum(1, cap / sums)[:, None]
        best = ordered(np.concatenate([best, tried]))
        reach *= 0.8
    return _black("the darkest there is", profile, best[:1])
