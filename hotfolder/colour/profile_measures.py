"""What a profile says of its medium and how far it can be trusted, measured from the profile alone.

Nothing here knows the medium itself: a profile that describes another paper perfectly measures
perfectly. A printed and measured strip tells the two apart.

Colours are L*a*b* relative to the medium's white where nothing else is said. Everything goes
through LittleCMS without its grid, but for the nodes of tables, which no engine tells of.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.encodings import xyz_to_lab
from hotfolder.colour.lookup_tables import LookupTable, read_tables
from hotfolder.colour.loss import Noise, round_trip_noise
from hotfolder.colour.measuring_condition import Condition, read_condition, read_date
from hotfolder.colour.medium import largest_ink_sum
from hotfolder.colour.profile import Profile
from hotfolder.colour.profile_reach import (
    Black,
    Gamut,
    colours_of,
    intents_of,
    measure_blacks,
    measure_gamut,
    to_device,
)
from hotfolder.colour.table_defects import Flaw, Levels, find_flaws, find_levels
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent

HUE_BINS: Final = 12
"""Of 30° each, the first from 0°."""

LIGHTNESS_BINS: Final = 5
"""Of 20 L* each, the darkest first."""

NEUTRAL_WITHIN: Final = 6.0
"""C*ab below which a colour counts as neutral."""


_ROUND_TRIP_COLOURS = 30_000
_LEAST_IN_BIN = 12
_GREYS = 201
_SEED = 0
_DEMAND_OF_PLEASING = 2.0

_TABLE_NAMES = {"0": Intent.PERCEPTUAL, "1": Intent.RELATIVE_COLORIMETRIC, "2": Intent.SATURATION}


@dataclass(frozen=True, eq=False)
class RoundTrip:
    """What becomes of colours that the medium can make: to device values by the table, and back."""

    noise: Noise
    """Over all of them, as the gamut check takes it."""

    mean: NDArray[np.float64] = field(repr=False)
    """ΔE00 by lightness and hue, shape (`LIGHTNESS_BINS`, `HUE_BINS` + 1), the last column
    neutrals; NaN where the medium has hardly any colour."""

    p95: NDArray[np.float64] = field(repr=False)
    """The same: exceeded by one colour in twenty."""


@dataclass(frozen=True, eq=False)
class Greys:
    """A ramp of neutral greys through one intent."""

    intent: Intent
    """Which."""

    wanted: NDArray[np.float64] = field(repr=False)
    """L* that goes in, rising, 0 … 100."""

    lab: NDArray[np.float64] = field(repr=False)
    """What comes out, shape (n, 3)."""

    largest_fall: float
    """By how much L* falls at most while it should rise; 0 in a ramp that never does."""

    falls_at: float
    """L* wanted where that is."""

    largest_step: float
    """The largest rise of L* from one step of 0.5 L* to the next."""


@dataclass(frozen=True, eq=False)
class TableMeasures:
    """One table of a profile."""

    table: LookupTable = field(repr=False)
    """The table itself."""

    intents: tuple[Intent, ...]
    """Which intents use it."""

    flaws: tuple[Flaw, ...]
    """What stands out in it, the largest first."""

    levels: Levels
    """How finely its numbers are graded."""


@dataclass(frozen=True)
class Whites:
    """Whether the profile's whites are what they must be."""

    media_lab: tuple[float, float, float] | None
    """The tag ``wtpt`` against D50: the paper itself."""

    of_device_white: tuple[float, float, float]
    """What the profile says of its device white (no ink, or full light); must be 100, 0, 0."""

    device_of_white: tuple[float, ...]
    """Device values that its table makes of white, as amounts off device white, 0 … 1."""


@dataclass(frozen=True, eq=False)
class QuickMeasures:
    """What shows within a fraction of a second whether something is wrong."""

    noise: Noise | None
    """Round trip; None for an input device."""

    greys: tuple[Greys, ...]
    """By intent."""

    tables: tuple[TableMeasures, ...]
    """Those that are in it, each once."""

    whites: Whites
    """Of the medium and of the table."""

    falling_inks: tuple[tuple[str, float], ...]
    """Channels that get lighter where they should get darker (inks), or the other way round: name
    and by how much at most, L*. Only what is more than 0.5."""

    exchanged_channels: str
    """In words, where solids have hues that belong to another channel; ""."""


@dataclass(frozen=True, eq=False)
class ProfileMeasures:
    """All that is measured of a profile."""

    profile: Profile
    """Of which."""

    created: datetime | None
    """When it says that it was made; None where that is no date."""

    condition: Condition
    """How it says that its medium was measured."""

    quick: QuickMeasures
    """What may be wrong."""

    ink_limit: float | None
    """Sum of inks, 1 is one solid ink, within which it was measured; None without inks."""

    round_trip: RoundTrip | None
    """None for an input device."""

    gamut: Gamut | None
    """None for grey."""

    blacks: tuple[Black, ...]
    """By intent, and the darkest there is, which is the last."""


@lru_cache(maxsize=16)
def measure_quickly(profile: Profile) -> QuickMeasures:
    """Measure what may be wrong with a profile: a fraction of a second.

    Parameters
    ----------
    profile
        Of an RGB, grey or CMYK device.

    Raises
    ------
    ValueError
        For Lab, which no device has.
    """
    if profile.encoding is Encoding.LAB:
        raise ValueError("Lab is no device")
    can_print = profile.can_be_destination
    return QuickMeasures(
        noise=round_trip_noise(profile) if can_print else None,
        greys=_measure_greys(profile) if can_print else (),
        tables=_measure_tables(profile),
        whites=_measure_whites(profile),
        falling_inks=_find_falling(profile),
        exchanged_channels=_find_exchanged_channels(profile),
    )


def measure(profile: Profile, ink_limit: float | None = None) -> ProfileMeasures:
    """Measure all of a profile: some seconds.

    Parameters
    ----------
    profile
        Of an RGB, grey or CMYK device.
    ink_limit
        Sum of inks that the medium bears, 1 is one solid ink; by default, and for CMYK only, the
        most that the profile's table lays anywhere.

    Raises
    ------
    ValueError
        For Lab, which no device has.
    """
    quick = measure_quickly(profile)
    limit = None
    if profile.encoding is Encoding.CMYK:
        limit = ink_limit
        if limit is None and profile.can_be_destination:
            limit = largest_ink_sum(profile)
    return ProfileMeasures(
        profile=profile,
        created=read_date(profile),
        condition=read_condition(profile),
        quick=quick,
        ink_limit=limit,
        round_trip=_measure_round_trip(profile) if profile.can_be_destination else None,
        gamut=measure_gamut(profile, limit) if profile.encoding is not Encoding.GREY else None,
        blacks=measure_blacks(profile, limit),
    )


def _device_white(profile: Profile) -> Floats:
    value = 0.0 if profile.encoding is Encoding.CMYK else 1.0
    return np.full(profile.encoding.channels, value)


def _measure_greys(profile: Profile) -> tuple[Greys, ...]:
    wanted = np.linspace(0, 100, _GREYS)
    ramp = np.stack([wanted, np.zeros(_GREYS), np.zeros(_GREYS)], axis=-1)
    found = []
    for intent in intents_of(profile):
        lab = colours_of(profile, to_device(profile, ramp, intent))
        fall = np.maximum.accumulate(lab[:, 0]) - lab[:, 0]
        at = int(fall.argmax())
        rises = np.diff(lab[:, 0])
        found.append(
            Greys(intent, wanted, lab, float(fall[at]), float(wanted[at]), float(rises.max()))
        )
    return tuple(found)


def _measure_tables(profile: Profile) -> tuple[TableMeasures, ...]:
    found = []
    for table in read_tables(profile):
        colours = table.made
        if table.is_to_device:
            flat = colours.reshape(-1, colours.shape[-1])
            if flat.shape[1] != profile.encoding.channels:
                continue
            colours = colours_of(profile, flat).reshape(*colours.shape[:-1], 3)
        place = profile.tags[table.name]
        kind = table.name[:3]
        intents = tuple(
            intent
            for number, intent in _TABLE_NAMES.items()
            if profile.tags.get(f"{kind}{number}", profile.tags.get(f"{kind}0")) == place
        )
        # Beside measurements, a table for another intent changes colours to please.
        pleases = not table.is_to_device and Intent.RELATIVE_COLORIMETRIC not in intents
        flaws = tuple(find_flaws(colours, _DEMAND_OF_PLEASING if pleases else 1.0))
        found.append(TableMeasures(table, intents, flaws, find_levels(table.nodes)))
    return tuple(found)


def _measure_whites(profile: Profile) -> Whites:
    white = _device_white(profile)
    media = profile.media_white_xyz
    L, a, b = colours_of(profile, white[None])[0].tolist()
    made = white
    if profile.can_be_destination:
        made = to_device(profile, np.array([[100.0, 0, 0]]), Intent.RELATIVE_COLORIMETRIC)[0]
    return Whites(
        None if media is None else tuple(xyz_to_lab(np.array(media)).tolist()),
        (L, a, b),
        tuple(np.abs(made - white).tolist()),
    )


def _channel_names(profile: Profile) -> tuple[str, ...]:
    return {
        Encoding.RGB: ("red", "green", "blue"),
        Encoding.CMYK: ("cyan", "magenta", "yellow", "black"),
    }.get(profile.encoding, ("grey",))


def _find_falling(profile: Profile) -> tuple[tuple[str, float], ...]:
    """Compare ramps of single channels, and of greys for RGB, with rising (or falling) ones."""
    names = _channel_names(profile)
    steps = np.linspace(0, 1, 129)
    ramps = [(name, np.eye(len(names))[at] * steps[:, None]) for at, name in enumerate(names)]
    if profile.encoding is Encoding.RGB:
        ramps.append(("grey", np.repeat(steps[:, None], 3, axis=1)))
    sign = -1 if profile.encoding is Encoding.CMYK else 1
    found = []
    for name, ramp in ramps:
        lightness = sign * colours_of(profile, ramp)[:, 0]
        fall = float((np.maximum.accumulate(lightness) - lightness).max())
        if fall > 0.5:
            found.append((name, fall))
    return tuple(found)


_HUES_OF_SOLIDS: Final = {
    "red": (-60, 90), "green": (90, 220), "blue": (220, 345),
    "cyan": (160, 290), "magenta": (-75, 60), "yellow": (60, 130),
}  # fmt: skip
"""Widest ranges of CIELAB hue, degrees, in which a solid can lie; our own, from all at hand."""


def _find_exchanged_channels(profile: Profile) -> str:
    names = _channel_names(profile)
    if len(names) < 3:
        return ""
    lab = colours_of(profile, np.eye(len(names)))
    hues = np.degrees(np.arctan2(lab[:, 2], lab[:, 1]))
    said = []
    for name, hue, (_, a, b) in zip(names[:3], hues, lab.tolist(), strict=False):
        if name not in _HUES_OF_SOLIDS or np.hypot(a, b) < 20:
            continue
        low, high = _HUES_OF_SOLIDS[name]
        if (hue - low) % 360 > high - low:
            said.append(f"solid {name} has the hue {hue % 360:.0f}°")
    return ", ".join(said)


def _measure_round_trip(profile: Profile) -> RoundTrip:
    channels = profile.encoding.channels
    generator = np.random.default_rng(_SEED)
    device = generator.random((_ROUND_TRIP_COLOURS, channels))
    if channels == 3:  # greys are the most looked at, and rare among random values
        level = generator.random((_ROUND_TRIP_COLOURS // 6, 1))
        near = level + generator.normal(0, 0.02, (len(level), channels))
        device = np.concatenate([device, np.clip(near, 0, 1)])
    relative = Intent.RELATIVE_COLORIMETRIC
    colours = colours_of(profile, device)
    if channels == 4:
        level = generator.random((_ROUND_TRIP_COLOURS // 6, 1)) * [100.0, 0, 0]
        colours = np.concatenate([colours, level + generator.normal(0, 2, level.shape)])
    first = colours_of(profile, to_device(profile, colours, relative))
    second = colours_of(profile, to_device(profile, first, relative))
    difference = delta_e_00(first, second)
    shape = (LIGHTNESS_BINS, HUE_BINS + 1)
    mean, p95 = np.full(shape, np.nan), np.full(shape, np.nan)
    chroma = np.hypot(first[:, 1], first[:, 2])
    hue = np.degrees(np.arctan2(first[:, 2], first[:, 1])) % 360
    column = np.minimum((hue / 360 * HUE_BINS).astype(int), HUE_BINS - 1)
    column[chroma < NEUTRAL_WITHIN] = HUE_BINS
    row = np.clip(first[:, 0] / 100 * LIGHTNESS_BINS, 0, LIGHTNESS_BINS - 1).astype(int)
    for at in np.ndindex(shape):
        of = difference[(row == at[0]) & (column == at[1])]
        if len(of) >= _LEAST_IN_BIN:
            mean[at], p95[at] = of.mean(), np.percentile(of, 95)
    return RoundTrip(round_trip_noise(profile), mean, p95)
