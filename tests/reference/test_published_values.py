"""Conversions between RGB encodings against their published definitions.

Expected values were computed from the primaries, whites and curves of IEC 61966-2-1 (sRGB), the
Adobe RGB (1998) encoding specification of 2005 and SMPTE EG 432-1 (P3 primaries), adapted to D50
by Bradford's matrix, without any ICC profile or colour engine. They are 8-bit values with two
decimals.
"""

import numpy as np
import pytest

from hotfolder.colour.engine import to_lab
from hotfolder.colour.transform import Precision, Transform
from reference.devices import DISPLAY_P3, SRGB, WIDE_RGB

# sRGB, then Adobe RGB, Display P3, Lab D50.
TABLE = [
    ((255, 0, 0), (218.94, 0, 0), (233.96, 51.07, 35.33), (54.29, 80.81, 69.89)),
    ((0, 255, 0), (144.07, 255, 59.78), (116.89, 251.24, 76.07), (87.82, -79.27, 80.99)),
    ((0, 0, 255), (0, 0, 250.17), (0, 0, 244.69), (29.57, 68.29, -112.03)),
    ((0, 255, 255), (144.07, 255, 255), (116.89, 251.24, 253.08), (90.67, -50.66, -14.96)),
    ((255, 0, 255), (218.94, 0, 250.17), (233.96, 51.07, 246.71), (60.17, 93.55, -60.50)),
    ((255, 255, 0), (255, 255, 59.78), (255, 255, 84.38), (97.61, -15.75, 93.39)),
    ((119,) * 3, (118.24,) * 3, (119,) * 3, (50.03, 0, 0)),
    ((128,) * 3, (126.99,) * 3, (128,) * 3, (53.59, 0, 0)),
    ((188,) * 3, (186.55,) * 3, (188,) * 3, (76.25, 0, 0)),
    ((194, 150, 130), (181.37, 148.61, 129.83), (187.15, 151.73, 133.00), (65.92, 14.96, 17.27)),
]
SOURCES = np.array([[row[0] for row in TABLE]], dtype=np.uint16) * 257


def assert_close(expected, codes):
    """Near black the inverse of a power curve has no bound on its slope: 2.7 of 255 there.

    A hair of light that matrices rounded to s15Fixed16 leave in an unused channel, 2**-16, is
    (2**-16)**(1/2.2) = 1.6 of 255 already.
    """
    expected = np.array(expected, dtype=float)
    tolerance = np.where(expected == 0, 700, np.where(expected < 90, 40, 20))
    assert (abs(codes.astype(float) - expected * 257) <= tolerance).all()


def test_srgb_to_adobe_rgb():
    codes = Transform(SRGB, WIDE_RGB, precision=Precision.EXACT).apply(SOURCES)[0]
    assert_close([row[1] for row in TABLE], codes)


def test_srgb_to_display_p3():
    codes = Transform(SRGB, DISPLAY_P3, precision=Precision.EXACT).apply(SOURCES)[0]
    assert_close([row[2] for row in TABLE], codes)


def test_srgb_in_lab():
    # The table is printed to 0.01; the profile's own numbers are rounded to 2**-16.
    np.testing.assert_allclose(to_lab(SRGB, SOURCES)[0], [row[3] for row in TABLE], atol=0.06)


@pytest.mark.parametrize(
    ("lightness", "srgb", "adobe"),
    # 18 % and 50 % of the white's luminance, and the middle of L*.
    [(50.0, 118.91, 118.15), (49.50, 117.65, 116.93), (76.07, 187.52, 186.06)],
)
def test_tones(lightness, srgb, adobe):
    for profile, expected in ((SRGB, srgb), (WIDE_RGB, adobe)):
        grey = np.full((1, 1, 3), round(expected * 257), dtype=np.uint16)
        assert to_lab(profile, grey)[0, 0, 0] == pytest.approx(lightness, abs=0.01)
