"""A correction, taken from its record, applied to pixels: once, in linear light, in 16 bits.

What comes out is in the picture's own profile, so that nothing behind it has to know. What that
profile cannot hold is cut off, and counted.

References
----------
ICC.1:2022, annex E: Bradford's transform, by which the light's colour is put back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, ValidationError, model_validator

from hotfolder import Json
from hotfolder.colour import D50_XYZ, Codes, Floats, over_slabs, tone_of
from hotfolder_stages.reference.fit import Correction, Curve
from hotfolder_stages.reference.reduced import Space

Treatment = Literal["nothing", "keep the light", "neutral"]
"""What is done with a reference."""

_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)

_TERMS = {"matrix": 3, "root-polynomial": 6}
_BURNT = (0.97, 0.995)
"""Share of the largest code between which a pixel, all channels of which are there, loses what
colour a correction would give it: nobody knows what colour it had."""

_KNEE = 0.8
"""Light of a pixel's strongest channel from which whites are rolled off, where the light is kept:
a warm light's white has more red than the profile holds. Our own judgement."""

_MARGIN = 1.002
"""Colours between those of a grid may be a little stronger than its strongest."""

_BEYOND = 1 / 255
"""Light outside 0 … 1 that counts as cut off."""

_ROWS = 64


class _Recorded(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class RecordedCurve(_Recorded):
    """Curves from the greys, as findings have them."""

    measured: tuple[tuple[float, ...], ...]
    """Cube roots of the picture's light, a channel each."""
    wanted: tuple[tuple[float, ...], ...]
    """What each of them should be."""

    @model_validator(mode="before")
    @classmethod
    def _by_our_names(cls, raw: object) -> object:
        if isinstance(raw, dict) and "from" in raw:
            return {"measured": raw["from"], "wanted": raw.get("to")}
        return raw


class RecordedCorrection(_Recorded):
    """A correction, as findings have it."""

    kind: Literal["matrix", "root-polynomial"]
    """Its terms."""
    matrix: tuple[tuple[float, ...], ...]
    """From terms of linear RGB to XYZ under D50: three rows."""
    curve: RecordedCurve | None = None
    """What is undone before it."""

    @model_validator(mode="after")
    def _fits_together(self) -> RecordedCorrection:
        if [len(row) for row in self.matrix] != [_TERMS[self.kind]] * 3:
            raise ValueError("three rows, with a number for each term")
        return self


def read_correction(found: Json) -> RecordedCorrection | None:
    """Read a correction from findings; None when there is none that can be used."""
    if found is None:
        return None
    try:
        return RecordedCorrection.model_validate(found)
    except ValidationError:
        return None


def white_of(found: Json | Mapping[str, Json]) -> Floats | None:
    """Read the light's colour from a chart's findings: XYZ of white, Y = 1."""
    light = found.get("light") if isinstance(found, Mapping) else None
    if not isinstance(light, dict):
        return None
    x, y = light.get("x"), light.get("y")
    if not isinstance(x, float) or not isinstance(y, float) or y <= 0:
        return None
    return np.array([x / y, 1.0, (1 - x - y) / y])


def adapt(source: Floats, target: Floats) -> Floats:
    """Return Bradford's matrix from colours seen under one white to those under another.

    Parameters
    ----------
    source, target
        XYZ of the whites, shape (3,).
    """
    factors = (_BRADFORD @ target) / (_BRADFORD @ source)
    return np.asarray(np.linalg.solve(_BRADFORD, factors[:, None] * _BRADFORD))


@dataclass(eq=False)
class Corrector:
    """Corrects codes of one profile."""

    recorded: RecordedCorrection
    """What was fitted."""

    space: Space
    """Of the pixels, before and after."""

    light: Floats | None = None
    """XYZ of the white of the light that is kept; None: it becomes that of the PCS."""

    gain: float = 1.0
    """By how much more light comes out: for a picture with another exposure than the chart's."""

    most: float = field(init=False)
    """The strongest channel that comes of a picture's colours, before it is rolled off; at most 1
    when nothing is."""

    beyond: int = 0
    """Pixels so far of which something was cut off."""

    pixels: int = 0
    """Pixels so far."""

    _tables: list[NDArray[np.float32]] = field(init=False, repr=False)
    _matrix: NDArray[np.float32] = field(init=False, repr=False)
    _white: NDArray[np.float32] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        every = np.broadcast_to(np.arange(65536, dtype=np.uint16), (3, 65536))
        light = self.space.light(every)
        made = read_curve(self.recorded)
        if made is not None:
            light = made.apply(light.T.astype(np.float64)).T.astype(np.float32)
        self._tables = [np.ascontiguousarray(each) for each in light]
        self._curves = tone_of(self.space.profile).curves
        self._matrix = (self.to_rgb() @ np.array(self.recorded.matrix)).astype(np.float32)
        white = np.array(D50_XYZ) if self.light is None else self.light
        self._white = np.linalg.solve(self.space.to_xyz, white).astype(np.float32)
        self._luminance = (self.space.to_xyz[1]).astype(np.float32)
        self.most = 1.0 if self.light is None else self._find_most()

    def to_rgb(self) -> Floats:
        """Return the matrix from XYZ under D50, as the chart is, to linear RGB that comes out."""
        kept = np.eye(3) if self.light is None else adapt(np.array(D50_XYZ), self.light)
        return np.asarray(self.gain * np.linalg.solve(self.space.to_xyz, kept))

    def linear(self, codes: Codes) -> NDArray[np.float32]:
        """Return the light that comes out; shape as that of `codes`, (..., 3).

        Where the light is kept, nothing in it is above 1: a pixel whose strongest channel would be
        is made darker as a whole, and keeps its colour. Whites that differed still do.
        """
        out = self._linear(codes)
        if self.most <= 1:
            return out
        strongest = out.max(axis=-1, keepdims=True)
        if strongest.max(initial=0) <= _KNEE:
            return out
        # slope 1 at the knee, and `most` becomes 1
        over = np.clip(strongest - np.float32(_KNEE), 0, None)
        bend = 1 / (1 - _KNEE) - 1 / (self.most - _KNEE)
        rolled = np.float32(_KNEE) + over / (1 + np.float32(bend) * over)
        return np.asarray(out * (rolled / np.maximum(strongest, np.float32(_KNEE))), np.float32)

    def _find_most(self) -> float:
        """Return the strongest channel that comes of any colour; it lies on the cube's outer faces.

        Both kinds of terms scale with the light, so a colour's lightest is on a face; near white
        burnt places have a colour of their own.
        """
        coarse, fine = np.linspace(0, 65535, 33), np.linspace(0.96 * 65535, 65535, 17)
        found = 0.0
        for steps in (coarse, fine):
            for axis in range(3):
                sides = [steps, steps]
                sides.insert(axis, np.array([65535.0]))
                cube = np.stack(np.meshgrid(*sides, indexing="ij"), axis=-1)
                found = max(found, float(self._linear(np.rint(cube).astype(np.uint16)).max()))
        return _MARGIN * found

    def _linear(self, codes: Codes) -> NDArray[np.float32]:
        r, g, b = (table[codes[..., channel]] for channel, table in enumerate(self._tables))
        terms = [r, g, b]
        if self.recorded.kind == "root-polynomial":
            # Finlayson et al. 2015, degree 2, in the order of colour-science
            terms += [np.sqrt(r * g), np.sqrt(g * b), np.sqrt(r * b)]
        out = np.stack(terms, axis=-1) @ self._matrix.T
        low, high = _BURNT
        burnt = codes.min(axis=-1).astype(np.float32) / np.float32(65535)
        burnt = np.clip((burnt - np.float32(low)) / np.float32(high - low), 0, 1)
        if burnt.any():
            share = burnt[..., None]
            out = out * (1 - share) + (out @ self._luminance)[..., None] * self._white * share
        return np.asarray(out, np.float32)

    def apply(self, codes: Codes) -> Codes:
        """Return corrected codes; shape (rows, width, 3)."""
        out = np.empty_like(codes)

        def work(start: int, stop: int) -> int:
            beyond = 0
            for top in range(start, stop, _ROWS):
                rows = slice(top, min(top + _ROWS, stop))
                light = self.linear(codes[rows])
                outside = (light > 1 + _BEYOND) | (light < -_BEYOND)
                beyond += int(outside.any(axis=-1).sum())
                for channel, curve in enumerate(self._curves):
                    out[rows, :, channel] = curve.encode(light[..., channel])
            return beyond

        self.beyond += sum(over_slabs(work, len(codes), codes.shape[1]))
        self.pixels += codes.shape[0] * codes.shape[1]
        return out

    def describe(self) -> dict[str, Json]:
        """Return what was applied, so that it can be done again from the record."""
        return {
            "terms": self.recorded.kind,
            "matrix_to_linear_rgb": [
                [round(float(each), 6) for each in row] for row in self._matrix.tolist()
            ],
            "rgb_profile": self.space.profile.description,
            "curve_undone": self.recorded.curve is not None,
            "rolled_off": {"from": _KNEE, "most": round(self.most, 4)} if self.most > 1 else None,
            "cut_off_share": round(self.beyond / max(1, self.pixels), 6),
        }


def matrix_for_white(seen: Floats, space: Space) -> RecordedCorrection:
    """Return what makes a colour neutral and keeps its luminance.

    Parameters
    ----------
    seen
        XYZ of it, shape (3,).
    """
    white = np.asarray(seen) / seen[1]
    matrix = adapt(white, np.array(D50_XYZ)) @ space.to_xyz
    rows = tuple(tuple(float(each) for each in row) for row in matrix)
    return RecordedCorrection(kind="matrix", matrix=rows)


def make_corrector(
    reference: Mapping[str, Json], space: Space, how: Treatment, gain: float
) -> Corrector | None:
    """Return what corrects a picture by what a chart or a card says; None when it cannot.

    Parameters
    ----------
    reference
        Findings of a chart or a card.
    how
        ``"keep the light"`` or ``"neutral"``.
    gain
        By how much more light comes out.
    """
    recorded, white = read_correction(reference.get("correction")), white_of(reference)
    if why_unusable(reference) or recorded is None or white is None:
        return None
    return Corrector(recorded, space, white if how == "keep the light" else None, gain)


def read_curve(recorded: RecordedCorrection) -> Curve | None:
    """Return the curve that is undone before a correction; None when there is none."""
    curve = recorded.curve
    if curve is None:
        return None
    return Curve(
        tuple(np.array(each) for each in curve.measured),
        tuple(np.array(each) for each in curve.wanted),
    )


def apply_to(recorded: RecordedCorrection, rgb: Floats) -> tuple[float, float, float]:
    """Return XYZ under D50 of one linear RGB, shape (3,)."""
    fitted = Correction(recorded.kind, np.array(recorded.matrix), read_curve(recorded))
    x, y, z = fitted.apply(np.asarray(rgb)[None])[0].tolist()
    return x, y, z


def why_unusable(chart: Mapping[str, Json]) -> str:
    """Say why nothing is corrected by a chart; "" when it can be used."""
    if chart.get("wrong_profile_suspected"):
        return "Its chart says that the profile is wrong, or that it is no picture of a camera."
    if chart.get("too_uneven"):
        return "The light on its chart is too uneven to say what is the light's and what is not."
    if chart.get("correction") is None:
        return "Too little of its chart can be used."
    return ""
