"""What a device makes of its values by its profile's own account, with slopes, fast.

The table from device to colour (A2B) of a printer's profile is what is known of its measurements.
LittleCMS reads it, one colour at a time and without a slope. A `MeasurementModel` holds the same
table as points and interpolates between them in the same way: three channels over the six
tetrahedra of a cell, the first of four channels linearly between two of those. So it meets
LittleCMS wherever what follows the table is linear, and else to the error that it states.

What is read of the table itself is only where the points lie: the curves before it and its sides
(`hotfolder.colour.lookup_tables`). Their colours are LittleCMS's. Where a profile has something
else on its way to colour (a matrix, multi-process elements), the points lie at equal distances.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes, Floats
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.engine import to_lab
from hotfolder.colour.kept_points import arrays_for
from hotfolder.colour.lookup_tables import read_table, shorten
from hotfolder.colour.machine_code import compiled, inlined, made, seen
from hotfolder.colour.profile import Profile
from hotfolder.colour.slabs import over_slabs
from hotfolder.disk.kept_arrays import Arrays
from hotfolder.model.intent import Intent

MOST_POINTS = 1_300_000
"""33 a side of four channels: what is interpolated from more no longer stays in a core's caches."""

FINE_ENOUGH = 0.02
"""Mean ΔE00 to LittleCMS below which no more points are laid between those of the table."""

TESTED_COLOURS = 4000
"""Random device values whose colours are compared with LittleCMS's."""

_EVEN_SIDES = {1: 1025, 3: 65, 4: 25}
_SEED = 0


@dataclass(frozen=True, eq=False)
class MeasurementModel:
    """Device values to L*a*b*, as a profile's A2B says: media-relative unless said otherwise."""

    positions: NDArray[np.float64] = field(repr=False)
    """Where device values lie among the points: shape (channels, entries), 0 … sides - 1, never
    falling; entries are at equal distances of the device value, 0 … 1, and joined by lines."""

    sides: NDArray[np.int64]
    """Points along each channel, shape (channels,), each 2 or more."""

    nodes: NDArray[np.float32] = field(repr=False)
    """L*a*b* of the points, first channel slowest, and how much each of the three rises from point
    to point along each channel: shape (points, 3 + 3 channels). A rise is the mean of those on
    both sides, so that slopes between points are continuous, as those of flat cells are not."""

    error_mean: float
    """ΔE00 to LittleCMS over random device values: mean."""

    error_largest: float
    """The same: maximum."""

    @property
    def channels(self) -> int:
        """Channels of the device, 1, 3 or 4."""
        return len(self.sides)

    def lab(self, device: Floats) -> NDArray[np.float64]:
        """Compute colours.

        Parameters
        ----------
        device
            Shape (n, channels), 0 … 1; what lies outside is clipped.

        Returns
        -------
        float64, shape (n, 3): L*a*b* relative to the medium's white.
        """
        device = np.ascontiguousarray(device, np.float64)
        out = np.empty((len(device), 3))

        def work(start: int, stop: int) -> None:
            _colours(device[start:stop], self.positions, self.sides, self.nodes, out[start:stop])

        over_slabs(work, len(device), 1)
        return out


def measurement_model(
    profile: Profile, seen_with: Intent = Intent.RELATIVE_COLORIMETRIC
) -> MeasurementModel:
    """Read the measurement model of an RGB, grey or CMYK profile.

    Parameters
    ----------
    seen_with
        Relative colorimetric for colours relative to the medium's white, or absolute.

    Raises
    ------
    ValueError
        For Lab, which no device has.
    """
    if profile.space == "Lab ":
        raise ValueError("Lab is no device")
    return _read_model(profile, seen_with)


@lru_cache(maxsize=4)
def _read_model(profile: Profile, seen_with: Intent) -> MeasurementModel:
    kept = arrays_for(
        "measurement model",
        {"profile": profile, "seen with": seen_with},
        lambda: _as_arrays(_compute_model(profile, seen_with)),
    )
    mean, largest = map(float, kept["errors"])
    return MeasurementModel(kept["positions"], kept["sides"], kept["nodes"], mean, largest)


def _as_arrays(model: MeasurementModel) -> Arrays:
    errors = np.array([model.error_mean, model.error_largest])
    return {
        "positions": model.positions,
        "sides": model.sides,
        "nodes": model.nodes,
        "errors": errors,
    }


def _compute_model(profile: Profile, seen_with: Intent) -> MeasurementModel:
    channels = profile.encoding.channels
    found = _table_axes(profile)
    if found is None:
        every = np.linspace(0, 1, _EVEN_SIDES[channels])
        return _model(profile, seen_with, [every] * channels, [np.array([0.0, 1.0])] * channels)
    warps, axes = found
    model = _model(profile, seen_with, axes, warps)
    while model.error_mean > FINE_ENOUGH:
        axes = [_halved(axis, warp) for axis, warp in zip(axes, warps, strict=True)]
        if np.prod([len(axis) for axis in axes]) > MOST_POINTS:
            break
        model = _model(profile, seen_with, axes, warps)
    return model


def _model(
    profile: Profile, seen_with: Intent, axes: list[Floats], warps: list[Floats]
) -> MeasurementModel:
    """Lay points at device values `axes` and join them along the curves `warps`."""
    entries = max(len(warp) for warp in warps)
    at = np.linspace(0, 1, entries)
    positions = np.empty((len(axes), entries))
    for channel, (axis, warp) in enumerate(zip(axes, warps, strict=True)):
        curve = np.linspace(0, 1, len(warp))
        positions[channel] = np.interp(
            np.interp(at, curve, warp), np.interp(axis, curve, warp), np.arange(len(axis))
        )
    codes = [np.rint(axis * 65535).astype(np.uint16) for axis in axes]
    grid = np.stack(np.meshgrid(*codes, indexing="ij"), axis=-1).reshape(-1, len(axes))
    sides = np.array([len(axis) for axis in axes])
    lab = _to_lab(profile, grid, seen_with).reshape(*sides, 3)
    rises = [np.gradient(lab, axis=channel) for channel in range(len(axes))]
    nodes = np.concatenate([lab, *rises], axis=-1, dtype=np.float32).reshape(len(grid), -1)
    model = MeasurementModel(positions, sides, nodes, 0.0, 0.0)
    tested = np.random.default_rng(_SEED).integers(0, 65536, (TESTED_COLOURS, len(axes)), np.uint16)
    error = delta_e_00(to_lab(profile, tested, seen_with), model.lab(tested / 65535))
    return MeasurementModel(positions, sides, nodes, float(error.mean()), float(error.max()))


def _to_lab(profile: Profile, codes: Codes, seen_with: Intent) -> Floats:
    parts = over_slabs(
        lambda start, stop: to_lab(profile, codes[start:stop], seen_with),
        len(codes),
        1,
        worth_a_thread=20_000,
    )
    return np.concatenate(parts)


def _halved(axis: Floats, warp: Floats) -> Floats:
    """Lay a point between each two, half-way along the curve."""
    curve = np.linspace(0, 1, len(warp))
    at = np.interp(axis, curve, warp)
    return np.sort(np.concatenate([axis, np.interp((at[1:] + at[:-1]) / 2, warp, curve)]))


def _table_axes(profile: Profile) -> tuple[list[Floats], list[Floats]] | None:
    """Find curves before the table, and the device values of its points, channel by channel.

    None where colours do not come from a table alone, or where a curve is not rising.
    """
    if {"D2B0", "D2B1"} & profile.tags.keys():  # LittleCMS takes these before any A2B
        return None
    name = "A2B1" if "A2B1" in profile.tags else "A2B0"
    table = read_table(profile, name)
    if table is None or table.has_matrix:
        return None
    warps, sides = [shorten(curve) for curve in table.inputs], table.sides
    axes: list[Floats] = []
    for warp, side in zip(warps, sides, strict=True):
        if (np.diff(warp) < 0).any() or warp[-1] - warp[0] < 0.1 or side < 2:
            return None
        at = np.linspace(0, 1, side)
        between = at[(at > warp[0]) & (at < warp[-1])]
        # Where a curve stands still, any of its device values will do.
        inner = np.interp(between, warp, np.linspace(0, 1, len(warp)))
        axes.append(np.unique(np.rint(np.concatenate([[0.0], inner, [1.0]]) * 65535)) / 65535)
    return warps, axes


@inlined
def set_strides(sides: Any, strides: Any) -> None:
    """Write how many points apart the neighbours along each channel are."""
    stride = 1
    for back in range(len(sides)):
        channel = len(sides) - 1 - back
        strides[channel] = stride
        stride *= sides[channel]


@inlined
def place(device: Any, positions: Any, sides: Any, cell: Any, inside: Any, slope: Any) -> None:
    """Find cell, place in it, 0 … 1, and cells per device value, for each channel."""
    last = positions.shape[1] - 1
    for channel in range(len(sides)):
        at = min(max(device[channel], 0.0), 1.0) * last
        entry = min(int(at), last - 1)
        low, high = positions[channel, entry], positions[channel, entry + 1]
        where = low + (high - low) * (at - entry)
        cell[channel] = min(int(where), sides[channel] - 2)
        inside[channel] = where - cell[channel]
        slope[channel] = (high - low) * last


@inlined
def evaluate(
    strides: Any, nodes: Any, cell: Any, inside: Any, slope: Any, order: Any, lanes: Any, sums: Any
) -> None:
    """Interpolate the first `lanes` values of the points; slopes become those of device values.

    Of four channels the first is interpolated between two colours of the other three.
    """
    channels = len(strides)
    apart = 1 if channels == 4 else 0
    below = 0
    for channel in range(channels):
        below += cell[channel] * strides[channel]
    # Channels by falling place in the cell: the corners of the tetrahedron.
    for channel in range(apart, channels):
        order[channel] = channel
    for first in range(apart + 1, channels):
        moved = order[first]
        to = first
        while to > apart and inside[order[to - 1]] < inside[moved]:
            order[to] = order[to - 1]
            to -= 1
        order[to] = moved
    for lane in range(lanes):
        sums[lane] = 0.0
    for half in range(apart + 1):
        weight = 1.0
        if apart:
            weight = inside[0] if half else 1.0 - inside[0]
        corner = below + half * strides[0]
        left = 1.0
        for number in range(apart, channels + 1):
            right = inside[order[number]] if number < channels else 0.0
            share = weight * (left - right)
            for lane in range(lanes):
                sums[lane] += share * nodes[corner, lane]
            if number < channels:
                corner += strides[order[number]]
                left = right
    for channel in range(channels):
        for lane in range(3):
            if lanes > 3:
                sums[3 + 3 * channel + lane] *= slope[channel]


@compiled(seen("f8", 2), seen("f8", 2), seen("i8", 1), seen("f4", 2), made("f8", 2))
def _colours(device: Any, positions: Any, sides: Any, nodes: Any, out: Any) -> None:
    channels = len(sides)
    cell = np.empty(channels, np.int64)
    inside = np.empty(channels)
    slope = np.empty(channels)
    order = np.empty(channels, np.int64)
    strides = np.empty(channels, np.int64)
    set_strides(sides, strides)
    for colour in range(len(device)):
        place(device[colour], positions, sides, cell, inside, slope)
        evaluate(strides, nodes, cell, inside, slope, order, 3, out[colour])
