"""The drops of the demo: invented pictures of an estuary, in the kinds of file people drop.

Painted once, written in several ways: 16-bit TIFF in a wide RGB, 8-bit JPEG with Exif, PNG, grey
TIFF; a picture without a profile, which a person has to decide about; a text and a cut-off file
with a picture's name, which nothing can be made of.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import ExifTags, Image, TiffImagePlugin

from hotfolder_demo import profiles
from hotfolder_demo.chart import PALETTE_LAB, chart
from hotfolder_demo.dawn import dawn
from hotfolder_demo.printer import lab_to_xyz
from hotfolder_demo.reeds import reeds
from hotfolder_demo.rigging import rigging
from hotfolder_demo.ripples import ripples
from hotfolder_demo.texture import Picture
from hotfolder_demo.vessels import vessels

Codes = NDArray[np.uint16]

_SEED = 20260
_ASPECT = 3 / 2
_PPI = 300.0

PAINTERS: tuple[tuple[str, Callable[[int, int, np.random.Generator], Picture], float], ...] = (
    # name, painter, long edge in shares of what was asked for: the longest first, to end together
    ("dawn", dawn, 1.0),
    ("rigging", rigging, 0.9),
    ("reeds", reeds, 0.8),
    ("vessels", vessels, 0.7),
    ("ripples", ripples, 0.9),
)


def write_scenes(folder: Path, long_edge_px: int = 2400) -> dict[str, list[Path]]:
    """Paint the pictures and drop them into the hot folders ``folder/<destination>/``.

    Parameters
    ----------
    folder
        The folder of the hot folders; it and they are made when missing.
    long_edge_px
        Long edge of the largest picture, in pixels, at least 48.

    Returns
    -------
    dict
        The files of each destination. The same in every run, byte for byte.
    """
    painted = _painted(long_edge_px)
    web_px = _size(long_edge_px * 0.8)
    drops: dict[str, dict[str, bytes]] = {
        "fine-art-canvas": {
            "dawn over the flats.tif": _wide_tiff(painted["dawn"]),
            "reeds and buoys.tif": _wide_tiff(painted["reeds"]),
            "scan without profile.png": _png(_srgb_codes(painted["vessels"]), None),
        },
        "book-pages": {
            "moorings.png": _png(_srgb_codes(painted["rigging"]), profiles.srgb()),
            "vessels, upright by tag.jpg": _jpeg(painted["vessels"], "Fired clay", turned=True),
            "ripples.tif": _grey_tiff(painted["ripples"]),
            "24-patch chart.tif": _tiff(_chart_codes(*web_px), profiles.adobe_rgb_compatible()),
            "page notes.tif": b"Spread 4: ripples on the left, moorings on the right.\n" * 20,
        },
        "web-gallery": {
            "moorings.jpg": _jpeg(painted["rigging"], "Boats at their moorings, high water"),
            "reeds and buoys.tif": _wide_tiff(painted["reeds"]),
            "ripples.tif": _grey_tiff(painted["ripples"]),
            "dawn, cut off.jpg": _cut_off(_jpeg(painted["dawn"], "Dawn over the flats")),
        },
    }
    return {name: _dropped(folder / name, files) for name, files in drops.items()}


def picture_bytes(picture: Picture) -> bytes:
    """A picture as a 16-bit TIFF: grey in a grey profile, colour in a wide RGB."""
    return _grey_tiff(picture) if picture.ndim == 2 else _wide_tiff(picture)


def _dropped(folder: Path, files: dict[str, bytes]) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return [folder / name for name in files]


def _painted(long_edge_px: int) -> dict[str, Picture]:
    """Every picture, each with a random sequence of its own, so that order does not matter."""

    def paint(index: int) -> Picture:
        _, painter, share = PAINTERS[index]
        rng = np.random.default_rng([_SEED, index])
        return painter(*_size(long_edge_px * share), rng)

    with ThreadPoolExecutor(2) as pool:
        pictures = pool.map(paint, range(len(PAINTERS)))
        return {name: picture for (name, _, _), picture in zip(PAINTERS, pictures, strict=True)}


def _size(long_edge_px: float) -> tuple[int, int]:
    return round(long_edge_px), round(long_edge_px / _ASPECT)


def _srgb_codes(picture: Picture) -> Codes:
    """16-bit sRGB (IEC 61966-2-1, 5.2) of linear sRGB; what does not fit is clipped."""
    light = np.clip(picture, 0, 1)
    encoded = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
    return _codes(encoded)


def _wide_codes(picture: Picture) -> Codes:
    """16-bit wide RGB of linear sRGB."""
    to_pcs = profiles.linear_rgb_to_pcs(profiles.SRGB_PRIMARIES)
    from_pcs = np.linalg.inv(profiles.linear_rgb_to_pcs(profiles.WIDE_PRIMARIES))
    light = picture @ (from_pcs @ to_pcs).T.astype(np.float32)
    return _codes(np.clip(light, 0, 1) ** np.float32(1 / profiles.WIDE_GAMMA))


def _chart_codes(width: int, height: int) -> Codes:
    from_pcs = np.linalg.inv(profiles.linear_rgb_to_pcs(profiles.WIDE_PRIMARIES))
    light = lab_to_xyz(PALETTE_LAB) @ from_pcs.T
    return _codes(np.clip(light, 0, 1) ** (1 / profiles.WIDE_GAMMA))[chart(width, height)]


def _codes(encoded: NDArray[np.floating]) -> Codes:
    return np.asarray(np.rint(np.clip(encoded, 0, 1) * 65535), dtype=np.uint16)


def _wide_tiff(picture: Picture) -> bytes:
    return _tiff(_wide_codes(picture), profiles.adobe_rgb_compatible())


def _grey_tiff(picture: Picture) -> bytes:
    return _tiff(_codes(np.clip(picture, 0, 1) ** (1 / 2.2)), profiles.grey_gamma22())


def _tiff(codes: Codes, profile: bytes) -> bytes:
    file = io.BytesIO()
    tifffile.imwrite(
        file,
        codes,
        photometric="minisblack" if codes.ndim == 2 else "rgb",
        rowsperstrip=64,
        resolution=(_PPI, _PPI),
        resolutionunit="inch",
        iccprofile=profile,
        metadata=None,
        software=False,
    )
    return file.getvalue()


def _jpeg(picture: Picture, caption: str, *, turned: bool = False) -> bytes:
    """An 8-bit JPEG in sRGB with Exif.

    turned: the pixels lie on their side, as from a camera held upright, and the tag says so.
    """
    pixels = np.rot90(picture) if turned else picture
    size = (pixels.shape[1], pixels.shape[0])
    return jpeg_bytes(pixels, _exif(caption, orientation=6 if turned else 1, size=size))


def jpeg_bytes(picture: Picture, exif: Image.Exif) -> bytes:
    """A picture as an 8-bit JPEG in sRGB."""
    file = io.BytesIO()
    Image.fromarray(_eight_bits(_srgb_codes(picture))).save(
        file,
        "JPEG",
        quality=93,
        subsampling=0,
        dpi=(_PPI, _PPI),
        icc_profile=profiles.srgb(),
        exif=exif,
    )
    return file.getvalue()


def _exif(caption: str, orientation: int, size: tuple[int, int]) -> Image.Exif:
    """A small Exif block (CIPA DC-008): caption, time, and a place in the sea at 0° N 0° W."""
    exif = Image.Exif()
    exif[ExifTags.Base.ImageDescription] = caption
    exif[ExifTags.Base.Orientation] = orientation
    details = exif.get_ifd(ExifTags.IFD.Exif)
    details[ExifTags.Base.DateTimeOriginal] = "2026:01:01 06:30:00"
    details[ExifTags.Base.ColorSpace] = 1
    details[ExifTags.Base.ExifImageWidth], details[ExifTags.Base.ExifImageHeight] = size
    place = exif.get_ifd(ExifTags.IFD.GPSInfo)
    nowhere = (TiffImagePlugin.IFDRational(0),) * 3
    place[ExifTags.GPS.GPSLatitudeRef], place[ExifTags.GPS.GPSLatitude] = "N", nowhere
    place[ExifTags.GPS.GPSLongitudeRef], place[ExifTags.GPS.GPSLongitude] = "W", nowhere
    return exif


def _png(codes: Codes, profile: bytes | None) -> bytes:
    """An 8-bit PNG, with or without a profile."""
    file = io.BytesIO()
    image = Image.fromarray(_eight_bits(codes))
    # Level 1: the grain does not compress, and better levels take seconds to find that out.
    image.save(file, "PNG", compress_level=1, dpi=(_PPI, _PPI), icc_profile=profile)
    return file.getvalue()


def _eight_bits(codes: Codes) -> NDArray[np.uint8]:
    """Rounded; the pictures' grain does what dither would."""
    return ((codes.astype(np.uint32) + 128) // 257).astype(np.uint8)


def _cut_off(data: bytes) -> bytes:
    """The first 60 %, as when a transfer breaks."""
    return data[: len(data) * 6 // 10]
