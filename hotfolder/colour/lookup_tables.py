"""The multidimensional tables of a profile as numbers: curves, nodes, and what the nodes mean.

A colour engine uses tables and tells nothing of them. What is wrong *in* one (a row that was
exchanged with the next, a node that was never set) is seen in its nodes only.

Clauses of ICC.1:2022: 10.10 ``lut16Type``, 10.11 ``lut8Type``, 10.12 ``lutAToBType``, 10.13
``lutBToAType``; encodings of the PCS 6.3.4.2, and of XYZ 6.3.4.2, table 11.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from hotfolder.colour.arrays import Floats
from hotfolder.colour.encodings import xyz_to_lab
from hotfolder.colour.icc_encode import codes_to_lab
from hotfolder.colour.profile import Profile
from hotfolder.colour.tone import curve_samples

TABLES: Final = ("A2B0", "A2B1", "A2B2", "B2A0", "B2A1", "B2A2")

_XYZ_SCALE = 1 + 32767 / 32768
_PARAMETERS = (1, 3, 4, 5, 7)
_SAMPLES = (2, 256, 1024, 4096)
_SAME = 1e-6


@dataclass(frozen=True, eq=False)
class LookupTable:
    """One table between device values and colours."""

    name: str
    """Its tag: ``"A2B0"`` … ``"B2A2"``; 0 perceptual, 1 colorimetric, 2 saturation."""

    bits: int
    """Of each number in it, 8 or 16."""

    nodes: Floats = field(repr=False)
    """As written, shape (side, …, side, outputs), first input slowest, 0 … 1."""

    inputs: tuple[Floats, ...] = field(repr=False)
    """The curve before each channel of the nodes, samples at equal distances, 0 … 1."""

    made: Floats = field(repr=False)
    """What comes out at the nodes: L*a*b* (A2B) or device values, 0 … 1 (B2A); shape as `nodes`,
    all that follows the nodes applied."""

    has_matrix: bool = False
    """Whether a matrix that changes something lies before the curves: ``lut8Type`` and
    ``lut16Type`` have room for one."""

    @property
    def is_to_device(self) -> bool:
        """Whether it makes device values of colours."""
        return self.name.startswith("B2A")

    @property
    def sides(self) -> tuple[int, ...]:
        """Points along each channel."""
        return self.nodes.shape[:-1]

    def input_at(self, channel: int, index: float) -> float:
        """Find what goes in to meet a node, 0 … 1, along one channel."""
        curve = np.maximum.accumulate(self.inputs[channel])
        place = index / max(1, self.sides[channel] - 1)
        return float(np.interp(place, curve, np.linspace(0, 1, len(curve))))


def read_tables(profile: Profile) -> list[LookupTable]:
    """Read the tables of a profile, each once: intents often share one.

    Tables that cannot be read here are left out: LittleCMS could, or the profile would have been
    refused.
    """
    found: list[LookupTable] = []
    seen: set[tuple[int, int]] = set()
    for name in TABLES:
        place = profile.tags.get(name)
        if place is None or place in seen:
            continue
        seen.add(place)
        table = read_table(profile, name)
        if table is not None:
            found.append(table)
    return found


def read_table(profile: Profile, name: str) -> LookupTable | None:
    """Read one table of a profile, ``"A2B0"`` … ``"B2A2"``; None as in `read_tables`."""
    if name not in profile.tags:
        return None
    offset, size = profile.tags[name]
    try:
        return _read(name, profile.data[offset : offset + size], profile.pcs)
    except (struct.error, ValueError, IndexError):
        return None


def shorten(curve: Floats) -> Floats:
    """Keep the fewest samples of a curve that say the same when joined by lines."""
    at = np.linspace(0, 1, len(curve))
    for samples in _SAMPLES:
        if samples >= len(curve):
            break
        few = np.linspace(0, 1, samples)
        kept = np.interp(few, at, curve)
        if np.abs(np.interp(at, few, kept) - curve).max() < _SAME:
            return kept
    return np.asarray(curve, np.float64)


def _read(name: str, tag: bytes, pcs: str) -> LookupTable | None:
    match tag[:4]:
        case b"mft1" | b"mft2":
            return _read_lut(name, tag, pcs)
        case b"mAB " | b"mBA ":
            return _read_with_offsets(name, tag, pcs)
        case _:
            return None


def _read_lut(name: str, tag: bytes, pcs: str) -> LookupTable:
    """Read ``lut8Type`` or ``lut16Type``. Its matrix counts with an XYZ PCS only, at the input."""
    inputs, outputs, side = tag[8], tag[9], tag[10]
    if tag[:4] == b"mft1":
        bits, kind, entries, exits, at = 8, "u1", 256, 256, 48
    else:
        bits, kind, at = 16, ">u2", 52
        entries, exits = struct.unpack_from(">2H", tag, 48)
    full = 2**bits - 1
    numbers = np.frombuffer(
        tag, kind, inputs * entries + side**inputs * outputs + outputs * exits, at
    ).astype(np.float64)
    numbers /= full
    before, rest = np.split(numbers, [inputs * entries])
    nodes, after = np.split(rest, [side**inputs * outputs])
    nodes = nodes.reshape(*[side] * inputs, outputs)
    made = _through(list(after.reshape(outputs, exits)), nodes)
    if name.startswith("A2B"):
        version: Literal["2.4", "4.4"] = "2.4" if bits == 16 else "4.4"
        made = xyz_to_lab(made * _XYZ_SCALE) if pcs == "XYZ " else codes_to_lab(made, version)
    matrix = np.frombuffer(tag, ">i4", 9, 12).reshape(3, 3) / 65536
    has_matrix = not np.allclose(matrix, np.eye(3), atol=1e-4)
    curves = tuple(before.reshape(inputs, entries))
    return LookupTable(name, bits, nodes, curves, made, has_matrix)


def _read_with_offsets(name: str, tag: bytes, pcs: str) -> LookupTable | None:
    """Read ``lutAToBType`` or ``lutBToAType``; None without nodes."""
    inputs, outputs = tag[8], tag[9]
    to_b, to_matrix, to_m, to_nodes, to_a = struct.unpack_from(">5I", tag, 12)
    if not to_nodes:
        return None
    sides = tuple(tag[to_nodes : to_nodes + inputs])
    bits = 8 * tag[to_nodes + 16]
    kind = np.dtype(np.uint8 if bits == 8 else ">u2")
    count = int(np.prod(sides)) * outputs
    nodes = np.frombuffer(tag, kind, count, to_nodes + 20).astype(np.float64) / (2**bits - 1)
    nodes = nodes.reshape(*sides, outputs)
    device = outputs if name.startswith("B2A") else inputs
    a_curves = _curves(tag, to_a, device)
    b_curves, m_curves = _curves(tag, to_b, 3), _curves(tag, to_m, 3)
    matrix = np.frombuffer(tag, ">i4", 12, to_matrix) / 65536 if to_matrix else None
    if name.startswith("B2A"):
        before = b_curves if matrix is None and not m_curves else []
        plain = [np.array([0.0, 1.0])] * inputs
        made = _through(a_curves, nodes)
        return LookupTable(name, bits, nodes, tuple(before or plain), made)
    made = _through(m_curves, nodes)
    if matrix is not None:
        made = np.clip(made @ matrix[:9].reshape(3, 3).T + matrix[9:], 0, 1)
    made = _through(b_curves, made)
    made = xyz_to_lab(made * _XYZ_SCALE) if pcs == "XYZ " else codes_to_lab(made, "4.4")
    plain = [np.array([0.0, 1.0])] * inputs
    return LookupTable(name, bits, nodes, tuple(a_curves or plain), made)


def _curves(tag: bytes, at: int, count: int) -> list[Floats]:
    found: list[Floats] = []
    if not at:
        return found
    for _ in range(count):
        rest = tag[at:]
        if rest[:4] == b"curv":
            samples = struct.unpack_from(">I", rest, 8)[0]
            length = 12 + 2 * samples
            plain = samples != 1
        else:
            length = 12 + 4 * _PARAMETERS[struct.unpack_from(">H", rest, 8)[0]]
            samples, plain = 0, False
        if plain and samples:
            found.append(np.frombuffer(rest, ">u2", samples, 12) / 65535)
        elif plain:
            found.append(np.array([0.0, 1.0]))
        else:
            found.append(shorten(np.clip(curve_samples(rest[:length]), 0, 1)))
        at += -(-length // 4) * 4
    return found


def _through(curves: Sequence[Floats], values: Floats) -> Floats:
    """Send each lane of `values` through its curve."""
    if not curves:
        return values
    lanes = [
        np.interp(values[..., lane], np.linspace(0, 1, len(curve)), curve)
        for lane, curve in enumerate(curves)
    ]
    return np.stack(lanes, axis=-1)
