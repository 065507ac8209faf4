"""Sizing says where the original lies in its result: found again in the pixels."""

import numpy as np
import pytest

from hotfolder import Area
from hotfolder.testing import make_stage, run_stage
from hotfolder_stages.sizing import Sizing
from stages.driving import job_of, spec_of

MARK = (slice(120, 160), slice(100, 180))  # rows and columns of the original
PIXELS = np.full((300, 400, 3), 10000, np.uint16)
PIXELS[MARK] = 60000


def found(pixels):
    """The rectangle of what is bright: left, top, right, bottom."""
    bright = pixels[..., 0] > 35000
    rows, columns = np.flatnonzero(bright.any(1)), np.flatnonzero(bright.any(0))
    return columns[0], rows[0], columns[-1] + 1, rows[-1] + 1


@pytest.mark.parametrize(
    "settings",
    [
        {"long_edge": "800 px"},
        {"long_edge": "200 px"},
        {"width": "300 px", "height": "300 px", "mode": "cover"},
        {"width": "300 px", "height": "300 px", "mode": "cover", "anchor": "left"},
        {"width": "500 px", "height": "200 px", "mode": "cover", "anchor": "bottom"},
        {"width": "500 px", "height": "500 px", "mode": "exact", "border_colour": "#000000"},
        {"width": "100 mm", "height": "100 mm", "mode": "cover", "ppi": 100, "bleed": "5 mm"},
        {
            "long_edge": "100 mm",
            "ppi": 100,
            "wrap": "10 mm",
            "wrap_edges": "plain",
            "wrap_colour": "#000000",
        },
        {"long_edge": "400 px"},
    ],
)
def test_where_the_original_lies_is_where_its_pixels_are(settings):
    out, result, _, _ = run_stage(make_stage(Sizing, settings), PIXELS.copy(), spec_of(PIXELS))
    at = result.original_area
    across, down = at.width_px / 400, at.height_px / 300
    expected = (
        at.left_px + 100 * across,
        max(0, at.top_px + 120 * down),
        at.left_px + 180 * across,
        at.top_px + 160 * down,
    )
    assert found(out) == pytest.approx(expected, abs=1.0)


def test_two_sizings_go_on_from_each_other():
    spec = spec_of(PIXELS)
    first = {"width": "300 px", "height": "300 px", "mode": "cover", "anchor": "left"}
    cut = make_stage(Sizing, first).open(spec, job_of(spec))
    twice = make_stage(Sizing, {"long_edge": "600 px"}).open(cut, job_of(spec))
    assert Area(0, 0, 400, 300) == cut.original_area
    assert Area(0, 0, 800, 600) == twice.original_area
