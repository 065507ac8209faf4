"""Primaries of a published press condition, by value.

Source: the characterisation data FOGRA39L (offset on coated paper, December 2006), as the file
FOGRA39L.ti3 in the Debian package icc-profiles-free 2.0.1 gives them: D50, 2 degrees, white
backing, XYZ with Y of the perfect diffuser = 100. The file is by Kai-Uwe Behrmann under the zlib
licence; only the eleven rows below are taken from it.
"""

from datetime import UTC, datetime
from itertools import product

import numpy as np
import pytest

from hotfolder.colour import icc_encode as icc
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.encodings import lab_to_xyz, xyz_to_lab
from hotfolder.colour.engine import to_lab
from hotfolder.colour.profile import Profile
from hotfolder.model.intent import Intent
from reference.chain import lab_by_iccdev

# Ink in percent, X Y Z, L* a* b*
FOGRA39 = {
    "paper": ((0, 0, 0, 0), (84.48, 87.62, 74.57), (95.00, 0.00, -2.00)),
    "C": ((100, 0, 0, 0), (15.02, 22.93, 52.85), (55.00, -37.00, -50.00)),
    "M": ((0, 100, 0, 0), (33.03, 16.79, 15.01), (48.00, 74.00, -3.00)),
    "Y": ((0, 0, 100, 0), (69.17, 74.16, 7.04), (89.00, -5.00, 93.00)),
    "K": ((0, 0, 0, 100), (2.02, 2.10, 1.73), (16.00, 0.00, 0.00)),
    "MY": ((0, 100, 100, 0), (30.20, 16.02, 2.30), (47.00, 68.00, 48.00)),
    "CY": ((100, 0, 100, 0), (8.16, 18.42, 6.74), (50.00, -65.00, 27.00)),
    "CM": ((100, 100, 0, 0), (5.67, 4.10, 15.67), (24.00, 22.00, -46.00)),
    "CMY": ((100, 100, 100, 0), (3.66, 3.80, 3.13), (23.00, 0.00, 0.00)),
    "C50": ((50, 0, 0, 0), (41.81, 49.28, 64.94), (75.62, -16.48, -26.70)),
    "K50": ((0, 0, 0, 50), (29.11, 30.19, 25.56), (61.82, 0.00, -1.16)),
}
SOLIDS = [name for name, (ink, *_) in FOGRA39.items() if 50 not in ink]


def aim(name):
    return np.array(FOGRA39[name][2])


@pytest.mark.parametrize("name", FOGRA39)
def test_lab_follows_from_xyz_to_the_printed_digit(name):
    """XYZ is printed to 0.005, which in b* of a dark yellow is up to 0.27."""
    _, xyz, lab = FOGRA39[name]
    # The file's white is 96.42 100 82.49, the PCS's.
    assert np.linalg.norm(lab - xyz_to_lab(np.array(xyz) / 100)) < 0.27
    np.testing.assert_allclose(xyz, 100 * lab_to_xyz(np.array(lab)), atol=0.011)


@pytest.mark.parametrize(
    ("name", "change", "by_2000"),
    # Computed with the formula of Sharma et al. (2005) by colour-science, to three decimals.
    [
        ("paper", (0, 2.5, 0), 3.536),
        ("paper", (-5, 0, 0), 3.060),
        ("Y", (0, 0, 6), 1.137),
        ("K", (4, 0, 0), 2.711),
    ],
)
def test_deviations_from_the_aims_measure_what_is_published(name, change, by_2000):
    sample = aim(name) + change
    assert by_2000 == pytest.approx(float(delta_e_00(aim(name), sample)), abs=5e-4)


def press_profile():
    """A profile whose table has the press's solids at its corners, relative to the paper.

    Black ink over others is taken to be black alone: those corners are not asked for.
    """
    paper = np.array(FOGRA39["paper"][1]) / 100
    grid = np.empty((2, 2, 2, 2, 3))
    for corner in product((0, 1), repeat=4):
        ink = (0, 0, 0, 100) if corner[3] else tuple(100 * each for each in corner)
        xyz = next(lab_to_xyz(np.array(lab)) for each, _, lab in FOGRA39.values() if each == ink)
        grid[corner] = xyz_to_lab(xyz / lab_to_xyz(aim("paper")) * np.array(icc.D50_XYZ))
    line = [[0.0, 1.0]]
    table = icc.lut16(line * 4, icc.lab_to_codes(grid, "2.4"), line * 3)
    header = icc.Header("2.4", "prtr", "CMYK", "Lab ", datetime(2006, 12, 1, tzinfo=UTC))
    assert paper == pytest.approx(lab_to_xyz(aim("paper")), abs=1e-4)
    tags = {"wtpt": icc.xyz(lab_to_xyz(aim("paper"))), "A2B0": table}
    return Profile.parse(icc.encode_profile(header, tags))


PRESS = press_profile()


def solids():
    return np.array([FOGRA39[name][0] for name in SOLIDS], dtype=float)


def test_absolute_colorimetric_gives_the_solids_as_they_were_measured():
    pixels = np.rint(solids()[None] * 655.35).astype(np.uint16)
    found = to_lab(PRESS, pixels, Intent.ABSOLUTE_COLORIMETRIC)[0]
    # Lab in the table has steps of 1/256; the white has steps of 1/65536.
    np.testing.assert_allclose(found, [aim(name) for name in SOLIDS], atol=0.02)


def test_relative_colorimetric_gives_them_relative_to_the_paper(tmp_path):
    pixels = np.rint(solids()[None] * 655.35).astype(np.uint16)
    found = to_lab(PRESS, pixels)[0]
    np.testing.assert_allclose([100, 0, 0], found[SOLIDS.index("paper")], atol=0.01)
    # ICC.1:2022, 6.3.2: XYZ divided by the medium's white
    whites = lab_to_xyz(aim("paper")) / np.array(icc.D50_XYZ)
    expected = xyz_to_lab(np.stack([lab_to_xyz(aim(name)) for name in SOLIDS]) / whites)
    np.testing.assert_allclose(expected, found, atol=0.02)
    np.testing.assert_allclose(lab_by_iccdev(PRESS, pixels, tmp_path)[0], found, atol=0.01)
