"""Black point compensation, absolute colorimetric and measurements: laws and data from outside.

Black point compensation: the affine law of ISO 18619:2015, as published with LittleCMS. Absolute
colorimetric: ICC.1:2022, 6.3.2.2. Measurements: the profile ``cmyk`` inside libvips, public
domain, carries the 2376 patches it was made from in its tag ``targ``.
"""

from datetime import UTC, datetime

import numpy as np
import pytest

from hotfolder.colour import icc_encode as icc
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.encodings import D50_XYZ, lab_to_xyz, xyz_to_lab
from hotfolder.colour.engine import to_lab
from hotfolder.colour.profile import Profile
from hotfolder.colour.transform import Precision, Transform
from hotfolder.model.intent import Intent
from reference.devices import SRGB, libvips, random_pixels

CMYK = libvips("cmyk")


def matrix_profile(curve):
    primaries = np.array([[0.43604, 0.22248, 0.01392], [0.38511, 0.71691, 0.09707]])
    columns = [*primaries, np.array(icc.D50_XYZ) - primaries.sum(axis=0)]
    tags = {"wtpt": icc.xyz(icc.D50_XYZ)}
    tags |= {f"{name}XYZ": icc.xyz(column) for name, column in zip("rgb", columns, strict=True)}
    tags |= {f"{name}TRC": curve for name in "rgb"}
    header = icc.Header("4.4", "mntr", "RGB ", "XYZ ", datetime(2000, 1, 1, tzinfo=UTC))
    return Profile.parse(icc.encode_profile(header, tags))


@pytest.mark.parametrize(
    ("code", "with_compensation", "without"),
    # In closed form: the destination's curve is a line from 0.02 to 1, so with compensation its
    # device value is the source's linear value, without it (linear - 0.02) / 0.98, clipped.
    [
        (0, 0, 0),
        (64, 0.047827, 0.028391),
        (128, 0.219638, 0.203708),
        (192, 0.535760, 0.526284),
        (255, 1, 1),
    ],
)
def test_black_point_compensation_in_closed_form(code, with_compensation, without):
    source = matrix_profile(icc.parametric_curve([2.19921875]))
    destination = matrix_profile(icc.curve([0.02, 1.0]))
    grey = np.full((1, 1, 3), code * 257, dtype=np.uint16)
    for compensate, expected in ((True, with_compensation), (False, without)):
        out = Transform(
            source, destination, black_point_compensation=compensate, precision=Precision.EXACT
        ).apply(grey)
        # s15Fixed16 white and 16-bit curves: three codes.
        np.testing.assert_allclose(out.ravel(), expected * 65535, atol=3)


def test_black_point_compensation_into_tables():
    # Source black Y 0, destination black L* 14.42: Y' = 0.018034 + (1 - 0.018034) Y. What the
    # tables make of that is found by looking the adapted grey up without compensation.
    black = 0.018034
    grey = np.repeat(np.linspace(0, 65535, 18).astype(np.uint16), 3).reshape(1, 18, 3)
    luminance = lab_to_xyz(to_lab(SRGB, grey))[..., 1]
    adapted = black + (1 - black) * luminance
    lab = xyz_to_lab(adapted[..., None] * np.array(D50_XYZ))
    linear = matrix_profile(icc.curve())
    asked = np.repeat(np.rint(adapted * 65535).astype(np.uint16), 3).reshape(1, 18, 3)
    np.testing.assert_allclose(to_lab(linear, asked)[..., 0], lab[..., 0], atol=0.02)
    by_law, by_engine = (
        to_lab(
            CMYK,
            Transform(
                profile, CMYK, black_point_compensation=compensate, precision=Precision.EXACT
            ).apply(pixels),
        )
        for profile, compensate, pixels in ((linear, False, asked), (SRGB, True, grey))
    )
    assert delta_e_00(by_law, by_engine).max() < 0.05


def test_absolute_is_relative_times_the_media_white():
    pixels = random_pixels(4)
    relative = lab_to_xyz(to_lab(CMYK, pixels))
    absolute = lab_to_xyz(to_lab(CMYK, pixels, Intent.ABSOLUTE_COLORIMETRIC))
    law = relative * np.array(CMYK.media_white_xyz) / np.array(D50_XYZ)
    np.testing.assert_allclose(absolute, law, atol=1e-4)


def test_absolute_shows_the_paper_and_relative_does_not():
    paper = np.zeros((1, 1, 4), dtype=np.uint16)
    on_screen = {
        intent: Transform(CMYK, SRGB, intent, precision=Precision.EXACT).apply(paper).ravel() / 257
        for intent in (Intent.RELATIVE_COLORIMETRIC, Intent.ABSOLUTE_COLORIMETRIC)
    }
    np.testing.assert_allclose(on_screen[Intent.RELATIVE_COLORIMETRIC], 255, atol=0.1)
    # From the profile's media white, XYZ 0.88199 0.91226 0.76295, through IEC 61966-2-1.
    np.testing.assert_allclose(
        on_screen[Intent.ABSOLUTE_COLORIMETRIC], [245.2, 244.7, 246.6], atol=0.3
    )


def measurements():
    """Ink 0 … 100 % and XYZ of every patch, from the CGATS text in ``targ``."""
    offset, size = CMYK.tags["targ"]
    lines = CMYK.data[offset + 8 : offset + size].decode("ascii").splitlines()
    names = lines[lines.index("BEGIN_DATA_FORMAT") + 1].split()
    rows = [line.split() for line in lines[lines.index("BEGIN_DATA") + 1 : lines.index("END_DATA")]]
    columns = [
        [float(row[names.index(name)]) for row in rows]
        for name in ("CMYK_C", "CMYK_M", "CMYK_Y", "CMYK_K", "XYZ_X", "XYZ_Y", "XYZ_Z")
    ]
    return np.array(columns[:4]).T, np.array(columns[4:]).T / 100


def test_a_printer_profile_reproduces_its_own_measurements():
    ink, xyz = measurements()
    assert len(ink) == 2376
    pixels = np.rint(ink / 100 * 65535).astype(np.uint16)
    difference = delta_e_00(xyz_to_lab(xyz), to_lab(CMYK, pixels, Intent.ABSOLUTE_COLORIMETRIC))
    assert difference.mean() < 0.4
    assert difference.max() < 2.1
