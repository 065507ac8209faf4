"""OpenEXR files: light in floating point, through OpenImageIO, a band at a time.

The numbers are light, white at 1 and no end above it; colour is multiplied by alpha (OpenEXR's
technical introduction). What is above white becomes what ``reading.above_white`` says; what comes
out has the sRGB curve (`light`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour import spaces
from hotfolder.colour.spaces import Primaries
from hotfolder.errors import Refuse
from hotfolder.model.encoding import Encoding
from hotfolder.raster.floats import count_outside, fit
from hotfolder.raster.foreign import translated
from hotfolder.raster.headers import Blocks, make_header
from hotfolder.raster.image_input import ImageInput
from hotfolder.raster.light import encode_light, profile_of_light
from hotfolder.raster.original_file import OriginalFile
from hotfolder.raster.picture import Stored, rows_per_band
from hotfolder.raster.source import (
    Request,
    Rows,
    check_page,
    check_size,
    check_whole,
    say_page,
)

_MAGIC = b"\x76\x2f\x31\x01"
_MOST_CHANNELS = 64
_UNIT_INTERVAL = 65535


def is_exr(head: bytes) -> bool:
    """Tell by its first bytes whether a file is an OpenEXR."""
    return head.startswith(_MAGIC)


class ExrSource:
    """The rows of one part of an OpenEXR; decoded as they are asked for.

    Raises
    ------
    Refuse
        ``damaged``, ``unsupported`` or ``too-large``.
    Hold
        ``no-such-page``.
    """

    def __init__(self, file: OriginalFile, request: Request) -> None:
        self._input = ImageInput(file, ".exr", request.scratch, "the OpenEXR picture")
        try:
            with translated("the OpenEXR picture"):
                self._open(file, request)
        except BaseException:
            self._input.close()
            raise

    def _open(self, file: OriginalFile, request: Request) -> None:
        parts = max(1, int(self._input.attribute("oiio:subimages") or 1))
        index = check_page(parts, request.reading)
        self._input.choose(index)
        notes: list[str] = []
        asked_for = say_page(parts, index, notes)
        spec = self._input.spec
        size_px = int(spec.width), int(spec.height)
        names = [str(each) for each in spec.channelnames]
        if spec.deep or spec.depth != 1 or len(names) > _MOST_CHANNELS:
            raise _unsupported("as a volume, with depths, or with very many channels")
        encoding, self._colour, self._alpha = _find_channels(names)
        self._name = str(spec.format)
        if self._name not in {"half", "float"}:
            raise _unsupported("as integers")
        decoded = size_px[0] * size_px[1] * len(names) * 4
        check_size(*size_px, decoded, file.size, request.limits)
        band = rows_per_band(size_px[0]) + int(spec.tile_height or 0)
        check_whole(
            min(band, size_px[1]) * size_px[0] * len(names) * 4,
            request.limits,
            "A band of the OpenEXR picture",
        )
        if spec.full_width != spec.width or spec.full_height != spec.height:
            notes.append(
                "The pixels of the OpenEXR do not fill its frame, or reach beyond it; all pixels "
                "that it has were taken, and nothing else."
            )
        left = len(names) - len(self._colour) - (self._alpha is not None)
        if left:
            plural = "s" if left > 1 else ""
            notes.append(
                f"The file has {left} extra channel{plural} (depth, a mask or a layer); "
                "only the picture itself was taken."
            )
        primaries, space = self._primaries(notes)
        outside = count_outside(self._light(size_px[1], size_px[0]))
        fitting = fit(outside, request.reading)
        self._scale = fitting.scale
        aspect = float(self._input.attribute("PixelAspectRatio") or 1.0)
        density = float(self._input.attribute("XResolution") or 0.0)
        blocks = Blocks(
            icc=profile_of_light(encoding, space, primaries),
            density=(density or 1.0, (density or 1.0) * aspect) if aspect > 0 else (0.0, 0.0),
        )
        header = make_header(
            "OpenEXR", size_px, 16 if self._name == "half" else 32, encoding, blocks,
            request.limits, has_alpha=self._alpha is not None, pages=parts,
            notes=[*notes, *fitting.notes], harmless=asked_for,
        )  # fmt: skip
        self.header = replace(
            header,
            ppi=header.ppi if density else 0.0,
            cut_share=fitting.cut_share,
            cut_above=fitting.cut_above,
        )

    def rows(self, start: int, stop: int) -> Rows:
        """See `RowSource`."""
        light, alpha = self._read(start, stop)
        return encode_light(light * np.float32(self._scale)), alpha

    def close(self) -> None:
        """See `RowSource`."""
        self._input.close()

    def _light(self, height_px: int, width_px: int) -> Iterator[Stored]:
        step = rows_per_band(width_px)
        for start in range(0, height_px, step):
            yield self._read(start, min(height_px, start + step))[0]

    def _read(self, start: int, stop: int) -> tuple[NDArray[np.float32], NDArray[np.uint16] | None]:
        """Light, divided by alpha, and alpha."""
        stored = self._input.rows(start, stop, floats=True)
        light = np.ascontiguousarray(stored[..., self._colour])
        if self._alpha is None:
            return light, None
        with np.errstate(all="ignore"):
            opacity = np.clip(np.nan_to_num(stored[..., self._alpha]), 0, 1)
            whole = opacity[..., np.newaxis]
            light = np.where(whole > 0, light / np.where(whole > 0, whole, 1), light)
        return light, np.rint(opacity * _UNIT_INTERVAL).astype(np.uint16)

    def _primaries(self, notes: list[str]) -> tuple[Primaries, str]:
        """The primaries that the file states; those of BT.709 by OpenEXR's default."""
        said = self._input.attribute("chromaticities")
        if said is None:
            return Primaries(
                spaces.SRGB_PRIMARIES.red, spaces.SRGB_PRIMARIES.green, spaces.SRGB_PRIMARIES.blue
            ), "BT.709"
        values = [float(each) for each in said]
        corners = list(zip(values[::2], values[1::2], strict=False))
        try:
            primaries = Primaries(*corners)
            spaces.linear_rgb_to_pcs(primaries)
        except (TypeError, ValueError):
            notes.append(
                "The chromaticities that the OpenEXR states are impossible; those of BT.709 "
                "were taken."
            )
            return spaces.SRGB_PRIMARIES, "BT.709"
        return primaries, "The file's own"


def _find_channels(names: list[str]) -> tuple[Encoding, list[int], int | None]:
    """Which channels are the picture, and which is its alpha."""
    at = {name.casefold(): index for index, name in reversed(list(enumerate(names)))}
    alpha = at.get("a")
    if all(each in at for each in "rgb"):
        return Encoding.RGB, [at[each] for each in "rgb"], alpha
    if "y" in at and not {"ry", "by"} & at.keys():
        return Encoding.GREY, [at["y"]], alpha
    if "y" in at:
        raise _unsupported("as luminance and colour differences")
    layers = sorted({name.rpartition(".")[0] for name in names} - {""})
    there = f" It has the layers {', '.join(layers[:5])}." if layers else ""
    raise Refuse(
        "unsupported",
        "The OpenEXR has no channels R, G and B, and no Y, so nobody can know which of its "
        f"channels are the picture.{there} Export the picture flat and drop that.",
    )


def _unsupported(how: str) -> Refuse:
    return Refuse(
        "unsupported",
        f"The OpenEXR is stored {how}, which cannot be read here. Export the picture as half "
        "floats in R, G and B, or as a TIFF with 16 bits per channel, and drop that.",
    )
