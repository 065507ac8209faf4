"""One picture of what came out: each original beside its result as it will print.

Results are shown by absolute colorimetric conversion to sRGB, so that the medium's own white
and black are seen; the originals by relative colorimetric conversion with black point
compensation, as a display shows them. Eight bits are enough to look at.
"""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageDraw, ImageFont

from hotfolder.model.earlier_findings import find_facts
from hotfolder.model.records import Record
from hotfolder.model.units import say_share
from hotfolder.raster.reading import open_original

_SIDE = 440
_TALL = 300
_GAP = 24
_TEXT = 34
_GROUND = (119, 119, 119)
_INK = (250, 250, 250)
_COLUMNS = 2
_MODES = {"rgb": "RGB", "grey": "L", "cmyk": "CMYK", "lab": "LAB"}


def write_overview(records: list[Record], path: Path) -> None:
    """Write a JPEG that shows every job of `records` that has a result, held ones too."""
    done = sorted(
        (record for record in records if record.results),
        key=lambda each: (each.destination, each.source),
    )
    cell = (2 * _SIDE + _GAP // 3, _TALL + _TEXT + _GAP)
    rows = -(-len(done) // _COLUMNS)
    size = (_COLUMNS * (cell[0] + 2 * _GAP), rows * cell[1] + 2 * _GAP)
    page = Image.new("RGB", size, _GROUND)
    for index, record in enumerate(done):
        left = _GAP + (index % _COLUMNS) * (cell[0] + 2 * _GAP)
        top = _GAP + (index // _COLUMNS) * cell[1]
        _draw(page, left, top, record)
    page.save(path, quality=88, icc_profile=_srgb_bytes())


def _draw(page: Image.Image, left: int, top: int, record: Record) -> None:
    draw = ImageDraw.Draw(page)
    lost = find_facts(record).share_lost
    said = "" if lost is None else f"   {say_share(lost, 2)} is lost there"
    state = "" if record.state == "delivered" else f"   ({record.state})"
    draw.text(
        (left, top),
        f"{record.destination}: {record.source}{said}{state}",
        fill=_INK,
        font=ImageFont.load_default(16),
    )
    pictures = (
        (Path(record.original_kept), ImageCms.Intent.RELATIVE_COLORIMETRIC),
        (Path(record.results[0].path), ImageCms.Intent.ABSOLUTE_COLORIMETRIC),
    )
    for number, (file, intent) in enumerate(pictures):
        picture = _small(file, intent)
        x = left + number * (_SIDE + _GAP // 3)
        place = (x + (_SIDE - picture.width) // 2, top + _TEXT + (_TALL - picture.height) // 2)
        page.paste(picture, place)


def _small(path: Path, intent: ImageCms.Intent) -> Image.Image:
    """The picture as large as its cell lets it be, in sRGB."""
    with (
        tempfile.TemporaryDirectory() as scratch,
        open_original(path, name=path.name, scratch=Path(scratch)) as opened,
    ):
        spec = opened.spec
        step = max(1, min(spec.width_px // _SIDE, spec.height_px // _TALL))
        rows = [_means(band.pixels, step) for band in opened.bands(rows=step)]
    pixels = np.round(np.concatenate(rows) / 257).astype(np.uint8)
    mode = _MODES[spec.encoding]
    image = Image.fromarray(pixels[:, :, 0] if mode == "L" else pixels, mode=None)
    if mode == "CMYK":
        image = Image.frombytes("CMYK", image.size, pixels.tobytes())
    if spec.profile is None:
        return image.convert("RGB")
    flags = ImageCms.Flags.BLACKPOINTCOMPENSATION
    source = ImageCms.ImageCmsProfile(io.BytesIO(spec.profile.data))
    target = ImageCms.ImageCmsProfile(io.BytesIO(_srgb_bytes()))
    shown = ImageCms.profileToProfile(
        image,
        source,
        target,
        renderingIntent=intent,
        outputMode="RGB",
        flags=flags if intent == ImageCms.Intent.RELATIVE_COLORIMETRIC else ImageCms.Flags.NONE,
    )
    if shown is None:
        raise ValueError(f"{path} was not converted")
    scale = min(_SIDE / shown.width, _TALL / shown.height)
    size = (round(shown.width * scale), round(shown.height * scale))
    return shown.resize(size, Image.Resampling.LANCZOS)


def _means(pixels: NDArray[np.uint16], step: int) -> NDArray[np.float64]:
    """Mean of each block of `step` columns over all rows given: one row out."""
    whole = pixels.shape[1] // step
    blocks = pixels[:, : whole * step].reshape(pixels.shape[0], whole, step, -1)
    means: NDArray[np.float64] = blocks.mean(axis=(0, 2))[np.newaxis]
    return means


def _srgb_bytes() -> bytes:
    from hotfolder_demo.profiles import srgb

    return srgb()
