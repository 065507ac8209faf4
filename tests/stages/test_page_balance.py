"""Mean lightness and the lean of greys, against colours whose CIELAB is known."""

from dataclasses import replace

import numpy as np
import pytest

from hotfolder.testing import make_stage, run_stage
from hotfolder_stages.page_balance import SAMPLES, PageBalance
from reference.devices import libvips
from stages.driving import SRGB, spec_of


def findings(pixels, profile=SRGB, rows=16, alpha=None, **settings):
    spec = replace(spec_of(pixels, profile), has_alpha=alpha is not None)
    made, _, found, _ = run_stage(
        make_stage(PageBalance, settings), pixels, spec, rows=rows, alpha=alpha
    )
    assert np.array_equal(pixels, made)
    return found


def flat(colour, height=40, width=60):
    return np.full((height, width, 3), np.uint16(colour) * np.uint16(257))


@pytest.mark.parametrize(
    ("grey", "lightness"),
    # IEC 61966-2-1, 5.2, and CIE 15:2004, 8.2.1.1; 50.03 and 76.25 from those formulas
    [(0, 0.0), (119, 50.03), (188, 76.25), (255, 100.0)],
)
def test_mean_lightness_is_that_of_the_grey(grey, lightness):
    found = findings(flat(grey))
    assert lightness == pytest.approx(found["mean_lightness"], abs=0.05)


def test_the_lean_of_greys_is_that_of_the_greys_alone():
    # sRGB 194 150 130 is L*a*b* 65.92 14.96 17.27 (D50, Bradford): too colourful to count
    pixels = flat(128)
    pixels[:, :30] = np.uint16([194, 150, 130]) * np.uint16(257)
    found = findings(pixels)
    assert (0.5, 0.0, 0.0) == pytest.approx(
        [found["grey_share"], found["grey_a"], found["grey_b"]], abs=0.02
    )
    widened = findings(pixels, nearly_grey=25)
    assert [14.96 / 2, 17.27 / 2] == pytest.approx([widened["grey_a"], widened["grey_b"]], abs=0.1)


def test_a_page_with_hardly_any_grey_has_no_lean():
    pixels = flat([200, 60, 30])
    pixels[0, :20] = 30000
    found = findings(pixels)
    assert (None, None) == (found["grey_a"], found["grey_b"])


def test_paper_white_and_deep_black_are_no_greys():
    pixels = flat(255)
    pixels[:20] = 0
    assert 0.0 == findings(pixels)["grey_share"]


def test_inks_are_measured_by_their_profile():
    # paper is white whatever the profile, since colours are relative to it
    pixels = np.zeros((40, 60, 4), np.uint16)
    assert 100.0 == pytest.approx(findings(pixels, libvips("cmyk"))["mean_lightness"], abs=0.1)


def test_it_does_not_depend_on_bands_and_takes_few_pixels():
    rng = np.random.default_rng(3)
    pixels = rng.integers(0, 65536, (900, 1000, 3), dtype=np.uint16)
    found = [findings(pixels, rows=rows) for rows in (7, 64, 900)]
    assert found[0] == found[1] == found[2]
    assert SAMPLES / 2 < found[0]["measured_pixels"] < SAMPLES * 4


def test_samples_stand_for_the_whole():
    y, x = np.mgrid[0:900, 0:1000]
    ramp = np.uint16((x + y) / 1898 * 65535)
    pixels = np.repeat(ramp[..., None], 3, axis=2)
    whole = findings(pixels[:, :111].copy())["measured_pixels"]
    assert 900 * 111 == whole
    parts = [
        findings(pixels[:, at : at + 100].copy())["mean_lightness"] for at in range(0, 1000, 100)
    ]
    assert np.mean(parts) == pytest.approx(findings(pixels)["mean_lightness"], abs=0.2)


def test_what_is_transparent_counts_as_paper():
    alpha = np.zeros((40, 60), np.uint16)
    assert 100.0 == pytest.approx(findings(flat(20), alpha=alpha)["mean_lightness"], abs=0.01)
