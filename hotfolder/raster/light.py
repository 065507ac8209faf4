"""Light to codes: linear pictures, and those coded for high dynamic range (PQ, HLG).

A medium has one white, and these have none: PQ says how bright each pixel shines, HLG how bright
it shines on a display of 1000 cd/m². White is taken at 203 cd/m², where ITU-R BT.2408 (table 1) has
the white of graphics and a diffuse white. What is above it becomes what ``reading.above_white``
says; without it a person is asked.

The codes that come of it have the sRGB curve, whatever the primaries: straight ones would be too
coarse in the shadows for what works on a grid of colours later.
"""

from __future__ import annotations

import functools
from dataclasses import replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour import spaces
from hotfolder.colour.spaces import Primaries
from hotfolder.errors import Hold, Remedy
from hotfolder.model.destination import Reading
from hotfolder.model.encoding import Encoding
from hotfolder.model.units import say_share
from hotfolder.raster.floats import count_outside
from hotfolder.raster.picture import Stored, rows_per_band
from hotfolder.raster.source import Header, HighDynamicRange, Rows, RowSource

Floats = NDArray[np.float32]

WHITE_CD_M2: Final = 203.0
_HLG_PEAK_CD_M2: Final = 1000.0
_HLG_GAMMA: Final = 1.2
"""System gamma on a display of 1000 cd/m² (ITU-R BT.2100-2, table 5)."""
_FULL = 65535

WAYS_ON: Final = (
    Remedy(
        "make it darker until its brightest value is white",
        settings={"reading.above_white": "scale"},
    ),
    Remedy("make all that is above white white", settings={"reading.above_white": "cut"}),
)
"""What a person can decide of a picture with values above white."""


def encode_light(light: Stored) -> NDArray[np.uint16]:
    """Code light of 0 … 1 with the sRGB curve (IEC 61966-2-1, 5.2), 0 … 65535; cut outside."""
    limited = np.clip(np.nan_to_num(light, nan=0.0, posinf=1.0, neginf=0.0), 0.0, 1.0)
    with np.errstate(invalid="ignore"):
        coded = np.where(
            limited <= 0.0031308, 12.92 * limited, 1.055 * np.power(limited, 1 / 2.4) - 0.055
        )
    codes: NDArray[np.uint16] = np.rint(coded * _FULL).astype(np.uint16)
    return codes


def profile_of_light(encoding: Encoding, name: str, primaries: Primaries) -> bytes:
    """Make the profile of what `encode_light` yields."""
    said = f"{name} primaries with the sRGB curve"
    if encoding is Encoding.GREY:
        return spaces.grey_profile("Grey with the sRGB curve", spaces.SRGB_CURVE)
    return spaces.rgb_profile(said, primaries, spaces.SRGB_CURVE)


def decode_pq(codes: NDArray[np.uint16]) -> Floats:
    """Return the light of PQ codes 0 … 65535 over white (SMPTE ST 2084; BT.2100-2, table 4)."""
    return _curve("PQ")[codes]


def decode_hlg(codes: NDArray[np.uint16], luminance: NDArray[np.float64] | None) -> Floats:
    """Return the light of HLG codes 0 … 65535 over white, on a display of 1000 cd/m².

    Parameters
    ----------
    codes
        Shape (rows, width, channels).
    luminance
        What red, green and blue add to the luminance, shape (3,); None for grey.
    """
    scene = _curve("HLG")[codes]
    bright = scene if luminance is None else (scene @ luminance.astype(np.float32))[..., np.newaxis]
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = np.where(bright > 0, np.power(bright, _HLG_GAMMA - 1), 0)
    shown: Floats = (scene * gain * (_HLG_PEAK_CD_M2 / WHITE_CD_M2)).astype(np.float32)
    return shown


@functools.cache
def _curve(transfer: Literal["PQ", "HLG"]) -> Floats:
    """Light by code: of PQ over white, of HLG in the scene, 0 … 1."""
    signal = np.linspace(0, 1, _FULL + 1)
    if transfer == "PQ":
        m1, m2 = 2610 / 16384, 2523 / 4096 * 128
        c1, c2, c3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
        root = np.power(signal, 1 / m2)
        light = np.power(np.maximum(root - c1, 0) / (c2 - c3 * root), 1 / m1) * 10_000
        return (light / WHITE_CD_M2).astype(np.float32)
    a = 0.17883277
    b, c = 1 - 4 * a, 0.5 - a * np.log(4 * a)
    return np.where(signal <= 0.5, signal**2 / 3, (np.exp((signal - c) / a) + b) / 12).astype(
        np.float32
    )


def standard_range(source: RowSource, reading: Reading) -> RowSource:
    """Return a picture for high dynamic range in codes of a standard one; any other as it is.

    Raises
    ------
    Hold
        ``high-dynamic-range`` when nobody has said what is to become of what is above white.
    """
    coded = source.header.high_dynamic_range
    if coded is None:
        return source
    if reading.above_white == "hold":
        raise Hold(
            "high-dynamic-range",
            f"The picture is coded for high dynamic range ({coded.transfer}, cICP {coded.code}), "
            "which has no fixed white to print. Export it for a standard range, with its profile "
            f"embedded, and drop that; or say what becomes of values above {WHITE_CD_M2:.0f} cd/m²:"
            " reading.above_white.",
            remedies=WAYS_ON,
        )
    return _StandardRange(source, coded, reading)


class _StandardRange:
    """The rows of a picture for high dynamic range, in codes of a standard one."""

    def __init__(self, source: RowSource, coded: HighDynamicRange, reading: Reading) -> None:
        self._source = source
        self._transfer = coded.transfer
        header = source.header
        self._luminance = None
        if header.encoding is Encoding.RGB and coded.transfer == "HLG":
            self._luminance = spaces.luminance_weights(coded.primaries)
        self._scale, note = self._choose(header, reading)
        self.header = replace(
            header,
            high_dynamic_range=None,
            icc=profile_of_light(header.encoding, coded.space, coded.primaries),
            icc_problem="",
            icc_implied=None,
            notes=(*header.notes, note),
        )

    def rows(self, start: int, stop: int) -> Rows:
        """See `RowSource`."""
        pixels, alpha = self._source.rows(start, stop)
        return encode_light(self._light(pixels) * np.float32(self._scale)), alpha

    def close(self) -> None:
        """See `RowSource`."""
        self._source.close()

    def _light(self, pixels: NDArray[np.uint16]) -> Floats:
        if self._transfer == "PQ":
            return decode_pq(pixels)
        return decode_hlg(pixels, self._luminance)

    def _choose(self, header: Header, reading: Reading) -> tuple[float, str]:
        """Look through the picture once for its brightest value; what to multiply by, and say."""
        step = rows_per_band(header.width_px)
        outside = count_outside(
            self._light(self._source.rows(top, min(header.height_px, top + step))[0])
            for top in range(0, header.height_px, step)
        )
        said = (
            f"The picture is coded for high dynamic range ({self._transfer}); "
            f"white was taken at {WHITE_CD_M2:.0f} cd/m²"
        )
        if not outside.above:
            return 1.0, f"{said}, above which it has nothing."
        share = say_share(outside.above / outside.total)
        said += f", and {share} of its values are above, up to {outside.brightest:.3g} times white"
        if reading.above_white == "scale":
            return (
                1 / outside.brightest,
                f"{said}: it was made darker until the brightest is white.",
            )
        return 1.0, f"{said}: they were made white."
