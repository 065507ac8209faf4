"""A picture is never in memory as a whole when its container lets it be read and written in parts.

What is measured is the peak of what Python and numpy hold, as a share of the decoded picture.
"""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
import tifffile

from hotfolder.model.destination import Result
from hotfolder.model.encoding import Encoding
from hotfolder.raster.picture import Band, RasterSpec
from hotfolder.raster.reading import open_original
from hotfolder.raster.writing import open_result

pytestmark = pytest.mark.slow

HEIGHT, WIDTH = 1600, 1200
WHOLE_BYTES = HEIGHT * WIDTH * 3 * 2
ROWS = 40


def peak_of(work):
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("orientation", [1, 3, 6])
@pytest.mark.parametrize(
    "layout",
    [
        {},
        {"rowsperstrip": 40, "compression": "lzw"},
        {"tile": (64, 64), "compression": "zstd"},
        {"planarconfig": "separate"},
    ],
    ids=["plain", "strips", "tiles", "planar"],
)
def test_reading_needs_a_few_bands(tmp_path, layout, orientation):
    shape = (3, HEIGHT, WIDTH) if "planarconfig" in layout else (HEIGHT, WIDTH, 3)
    tifffile.imwrite(
        tmp_path / "x.tif",
        np.zeros(shape, np.uint16),
        photometric="rgb",
        extratags=[(274, 3, 1, orientation, True)],
        **layout,
    )

    def work():
        with open_original(tmp_path / "x.tif", name="x", scratch=tmp_path) as opened:
            for band in opened.bands(ROWS):
                del band

    assert peak_of(work) < WHOLE_BYTES / 4


@pytest.mark.parametrize(("compression", "bits"), [("none", 16), ("deflate", 16), ("lzw", 8)])
def test_writing_a_tiff_needs_a_few_bands(tmp_path, compression, bits):
    height = 8 * HEIGHT  # some strips of a mebibyte are always on their way

    def bands():
        for top in range(0, height, ROWS):
            yield Band(top, np.full((ROWS, WIDTH, 3), top, np.uint16))

    def work():
        spec = RasterSpec(WIDTH, height, Encoding.RGB)
        result = Result(format="tiff", compression=compression, bits=bits)
        with open_result(tmp_path / "x.tif", spec, result) as writer:
            writer.write(bands())

    assert peak_of(work) < 8 * WHOLE_BYTES / 3
