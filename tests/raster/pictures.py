"""What the tests of reading and writing share: a picture, the profiles, and second readers."""

from __future__ import annotations

import json
import subprocess
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pyvips
from numpy.typing import NDArray

from hotfolder.raster.picture import Band
from hotfolder.raster.reading import OpenedOriginal, open_original

XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF '
    b'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" '
    b'xmlns:dc="http://purl.org/dc/elements/1.1/"><dc:creator><rdf:Seq><rdf:li>A. N. Other'
    b"</rdf:li></rdf:Seq></dc:creator></rdf:Description></rdf:RDF></x:xmpmeta>"
)

pyvips.cache_set_max(0)  # a test may write a name twice


def picture(height: int, width: int, samples: int, dtype: str = "uint16") -> NDArray[Any]:
    """Shape (height, width, samples): ramps, an edge and some noise, over the whole range."""
    generator = np.random.Generator(np.random.PCG64(7))
    rows, columns = np.mgrid[0:height, 0:width]
    planes = [
        (rows * (plane + 1) / height + columns * (samples - plane) / width) / (samples + 1)
        for plane in range(samples)
    ]
    values = np.stack(planes, axis=-1) + generator.normal(0, 0.01, (height, width, samples))
    values[:, width // 2 :, 0] = 1 - values[:, width // 2 :, 0]
    values[0, 0], values[-1, -1] = 0.0, 1.0
    top = np.iinfo(dtype).max
    return np.rint(np.clip(values, 0, 1) * top).astype(dtype)


def read(path: Path, scratch: Path, rows: int | None = None) -> tuple[OpenedOriginal, Any, Any]:
    """Read a whole file: what was opened, its pixels, its alpha or None."""
    with open_original(path, name=path.name, scratch=scratch) as opened:
        bands = list(opened.bands(rows))
    pixels = np.concatenate([band.pixels for band in bands])
    assert pixels.dtype == np.uint16
    assert (opened.spec.height_px, opened.spec.width_px, opened.spec.channels) == pixels.shape
    assert all(band.pixels.flags.c_contiguous for band in bands)
    if not opened.spec.has_alpha:
        assert all(band.alpha is None for band in bands)
        return opened, pixels, None
    return opened, pixels, np.concatenate([band.alpha for band in bands])


def bands_of(pixels: NDArray[Any], rows: int, alpha: NDArray[Any] | None = None) -> list[Band]:
    """A picture cut into bands of `rows` rows."""
    return [
        Band(top, pixels[top : top + rows], None if alpha is None else alpha[top : top + rows])
        for top in range(0, len(pixels), rows)
    ]


@cache
def profile_bytes(name: str) -> bytes:
    """A profile that ships with libvips: ``"srgb"``, ``"p3"`` or ``"cmyk"`` (public domain)."""
    return bytes(pyvips.Image.profile_load(name))


def vips_pixels(path: Path) -> NDArray[Any]:
    """The samples of a file as libvips reads them."""
    return pyvips.Image.new_from_file(str(path)).numpy()


def exiftool(path: Path, *options: str) -> dict[str, Any]:
    """What ExifTool says about a file, by group and tag, as numbers where it can."""
    command = ["exiftool", "-j", "-n", "-G1", *options, str(path)]
    return json.loads(subprocess.run(command, capture_output=True, check=True).stdout)[0]


def exiftool_bytes(path: Path, tag: str) -> bytes:
    """The bytes of one tag as ExifTool takes them out of a file."""
    return subprocess.run(
        ["exiftool", "-b", f"-{tag}", str(path)], capture_output=True, check=True
    ).stdout
