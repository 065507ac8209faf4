"""What a device makes of its values by its profile's own account, with slopes, fast.

The table from device to colour (A2B) of a printer's profile is what is known of its measurements.
LittleCMS reads it, one colour at a time and without a slope. A `MeasurementModel` holds the same
table as points and interpolates between them in the same way: three channels over the six
tetrahedra of a cell, the first of four channels linearly between two of those. So it meets
LittleCMS wherever what follows the table is linear, and else to the error that it states.

Loops over a model are written for four channels and no other number, which is three times as fast
as for any: a device of fewer has them in the last of the four places, and nothing in the first.

What is read of the table itself is only where the points lie: the curves before it and its sides
(`hotfolder.colour.lookup_tables`). Their colours are LittleCMS's. Where a profile has something
else on its way to colour (a matrix, multi-process elements), the points lie at equal distances.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes, Floats, Indices
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

PLACES = 4
"""Channels that loops reckon with."""

LANES = 16
"""Numbers of a point: its colour, how much that rises along each place, and one that is unused, so
that a point is a line of the cache."""

_EVEN_SIDES = {1: 1025, 3: 65, 4: 25}
_SEED = 0


@dataclass(frozen=True, eq=False)
class MeasurementModel:
    """Device values to L*a*b*, as a profile's A2B says: media-relative unless said otherwise."""

    channels: int
    """Channels of the device, 1, 3 or 4."""

    positions: NDArray[np.float64] = field(repr=False)
    """Where device values lie among the points: shape (PLACES, entries), 0 … sides - 1, never
    falling; entries are at equal distances of the device value, 0 … 1, and joined by lines. 0 in
    places that hold no channel."""

    sides: NDArray[np.int64]
    """Points along each place, shape (PLACES,), each 2 or more; 1 in places without channel."""

    nodes: NDArray[np.float32] = field(repr=False)
    """L*a*b* of the points, first channel slowest, and how much each of the three rises from point
    to point along each place: shape (points, LANES). A rise is the mean of those on both sides, so
    that slopes between points are continuous, as those of flat cells are not."""

    error_mean: float
    """ΔE00 to LittleCMS over random device values: mean."""

    error_largest: float
    """The same: maximum."""

    @cached_property
    def steps(self) -> NDArray[np.int64]:
        """How many points apart neighbours along each place are, shape (PLACES,).

        0 in places that hold no channel.
        """
        behind = np.cumprod(np.append(self.sides[:0:-1], 1)[[-1, *range(PLACES - 1)]])[::-1]
        return np.ascontiguousarray(np.where(self.sides > 1, behind, 0))

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
        device = put_in_places(device)
        out = np.empty((len(device), 3))

        def work(start: int, stop: int) -> None:
            _colours(
                device[start:stop],
                self.positions,
                self.sides,
                self.steps,
                self.nodes,
                out[start:stop],
            )

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
    arrays = kept["positions"], kept["sides"], kept["nodes"]
    return MeasurementModel(profile.encoding.channels, *arrays, mean, largest)


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
    first = PLACES - len(axes)
    positions = np.zeros((PLACES, entries))
    for place, (axis, warp) in enumerate(zip(axes, warps, strict=True), first):
        curve = np.linspace(0, 1, len(warp))
        positions[place] = np.interp(
            np.interp(at, curve, warp), np.interp(axis, curve, warp), np.arange(len(axis))
        )
    codes = [np.rint(axis * 65535).astype(np.uint16) for axis in axes]
    grid = np.stack(np.meshgrid(*codes, indexing="ij"), axis=-1).reshape(-1, len(axes))
    sides = np.array([len(axis) for axis in axes])
    lab = _to_lab(profile, grid, seen_with).reshape(*sides, 3)
    rises = [np.gradient(lab, axis=channel) for channel in range(len(axes))]
    nodes = np.zeros((len(grid), LANES), np.float32)
    nodes[:, :3] = lab.reshape(-1, 3)
    for place, rise in enumerate(rises, first):
        nodes[:, 3 + 3 * place : 6 + 3 * place] = rise.reshape(-1, 3)
    arrays = positions, np.append(np.ones(first, np.int64), sides), nodes
    model = MeasurementModel(len(axes), *arrays, 0.0, 0.0)
    tested = np.random.default_rng(_SEED).integers(0, 65536, (TESTED_COLOURS, len(axes)), np.uint16)
    error = delta_e_00(to_lab(profile, tested, seen_with), model.lab(tested / 65535))
    return MeasurementModel(len(axes), *arrays, float(error.mean()), float(error.max()))


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


def put_in_places(device: Floats) -> NDArray[np.float64]:
    """Put channels into the last of four places: shape (n, channels) to (n, PLACES), float64."""
    missing = PLACES - device.shape[1]
    if not missing:
        return np.ascontiguousarray(device, np.float64)
    placed = np.zeros((len(device), PLACES))
    placed[:, missing:] = device
    return placed


@inlined
def find_cell(value: float, positions: Floats, place: int, side: int) -> tuple[int, float, float]:
    """Return cell, where in it, 0 … 1, and cells per device value, of one channel."""
    last = positions.shape[1] - 1
    at = min(max(value, 0.0), 1.0) * last
    entry = min(int(at), last - 1)
    low, high = positions[place, entry], positions[place, entry + 1]
    where = low + (high - low) * (at - entry)
    cell = min(int(where), max(side - 2, 0))
    return cell, where - cell, (high - low) * last


@inlined
def find_corners(
    x: float, y: float, z: float, steps: Indices
) -> tuple[int, int, int, float, float, float, float]:
    """Return steps to the second to fourth corner of the tetrahedron, and weights of all four.

    x, y, z: where in the cell, 0 … 1, along the last three places.
    """
    to_x, to_y, to_z = steps[1], steps[2], steps[3]
    most, least = max(x, y, z), min(x, y, z)
    middle = max(min(x, y), min(max(x, y), z))
    xy, yz, xz = x >= y, y >= z, x >= z
    first = to_x if (xy & xz) else (to_y if (yz & (not xy)) else to_z)
    last = to_z if (yz & xz) else (to_y if (xy & (not yz)) else to_x)
    opposite = to_x + to_y + to_z
    return first, opposite - last, opposite, 1 - most, most - middle, middle - least, least


@inlined
def interpolate(
    nodes: Floats,
    base: int,
    apart: int,
    inside: float,
    corners: tuple[int, int, int, float, float, float, float],
    lanes: int,
    sums: Floats,
) -> None:
    """Write the first `lanes` numbers between points.

    base: the first corner; apart, inside: step and share between two colours of the last three
    places.
    """
    to_p1, to_p2, to_p3, w0, w1, w2, w3 = corners
    p0 = base
    p1, p2, p3 = p0 + to_p1, p0 + to_p2, p0 + to_p3
    q0, q1, q2, q3 = p0 + apart, p1 + apart, p2 + apart, p3 + apart
    lower, upper = 1 - inside, inside
    a0, a1 = np.float32(lower * w0), np.float32(lower * w1)
    a2, a3 = np.float32(lower * w2), np.float32(lower * w3)
    b0, b1 = np.float32(upper * w0), np.float32(upper * w1)
    b2, b3 = np.float32(upper * w2), np.float32(upper * w3)
    for lane in range(lanes):
        one = nodes[p0, lane] * a0 + nodes[p1, lane] * a1
        one += nodes[p2, lane] * a2 + nodes[p3, lane] * a3
        other = nodes[q0, lane] * b0 + nodes[q1, lane] * b1
        other += nodes[q2, lane] * b2 + nodes[q3, lane] * b3
        sums[lane] = one + other


@compiled(seen("f8", 2), seen("f8", 2), seen("i8", 1), seen("i8", 1), seen("f4", 2), made("f8", 2))
def _colours(
    device: Floats, positions: Floats, sides: Indices, steps: Indices, nodes: Floats, out: Floats
) -> None:
    sums = np.empty(4, np.float32)
    for colour in range(len(device)):
        c0, x0, _ = find_cell(device[colour, 0], positions, 0, sides[0])
        c1, x1, _ = find_cell(device[colour, 1], positions, 1, sides[1])
        c2, x2, _ = find_cell(device[colour, 2], positions, 2, sides[2])
        c3, x3, _ = find_cell(device[colour, 3], positions, 3, sides[3])
        base = c0 * steps[0] + c1 * steps[1] + c2 * steps[2] + c3 * steps[3]
        interpolate(nodes, base, steps[0], x0, find_corners(x1, x2, x3, steps), 4, sums)
        for lane in range(3):
            out[colour, lane] = sums[lane]
