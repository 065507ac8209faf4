"""The encoder of ICC profiles, held against readers of others."""

import struct
from datetime import UTC, datetime

import iccdev
import imagecodecs
import numpy as np
import pytest

from hotfolder.colour import icc_encode as icc

WHEN = datetime(2026, 1, 1, 6, 30, tzinfo=UTC)


def lut_profile(version, space, grid, curves_in, curves_out):
    """A printer profile whose only table goes from device to Lab."""
    if version == "2.4":
        table = icc.lut16(curves_in, grid, curves_out)
        texts = {"desc": icc.text_description("test"), "cprt": icc.text("none")}
    else:
        table = icc.lut_a_to_b(
            [icc.curve(each) for each in curves_in], grid, [icc.curve(each) for each in curves_out]
        )
        texts = {"desc": icc.localized_text("test"), "cprt": icc.localized_text("none")}
    tags = {**texts, "wtpt": icc.xyz(icc.D50_XYZ), "A2B0": table, "A2B1": table}
    return icc.encode_profile(icc.Header(version, "prtr", space, "Lab ", WHEN), tags)


def test_header_fields_are_where_the_standard_puts_them():
    profile = icc.encode_profile(
        icc.Header("4.4", "mntr", "RGB ", "XYZ ", WHEN, intent=1, creator="test"),
        {"cprt": icc.localized_text("none")},
    )
    assert len(profile) == struct.unpack_from(">I", profile, 0)[0]
    assert b"\x04\x40\x00\x00" == profile[8:12]
    assert b"mntrRGB XYZ " == profile[12:24]
    assert (2026, 1, 1, 6, 30, 0) == struct.unpack_from(">6H", profile, 24)
    assert b"acsp" == profile[36:40]
    assert 1 == struct.unpack_from(">I", profile, 64)[0]
    assert (0xF6D6, 0x10000, 0xD32D) == struct.unpack_from(">3I", profile, 68)
    assert b"test" == profile[80:84]


def test_equal_tags_share_their_data_and_start_at_multiples_of_4():
    odd = icc.text("odd")
    profile = icc.encode_profile(
        icc.Header("2.4", "mntr", "RGB ", "XYZ ", WHEN),
        {"cprt": odd, "desc": icc.text_description("one"), "dmnd": odd},
    )
    entries = [struct.unpack_from(">4sII", profile, 132 + 12 * index) for index in range(3)]
    places = {name: (offset, size) for name, offset, size in entries}
    assert places[b"cprt"] == places[b"dmnd"]
    assert all(offset % 4 == 0 for offset, _ in places.values())


@pytest.mark.parametrize(
    ("version", "lab", "codes"),
    [
        # ICC.1:2022, tables 12 and 13, and 10.10 for the encoding of version 2
        ("2.4", (100, 0, 0), (0xFF00, 0x8000, 0x8000)),
        ("2.4", (0, -128, -128), (0, 0, 0)),
        ("4.4", (100, 0, 0), (0xFFFF, 0x8080, 0x8080)),
        ("4.4", (100, 127, -128), (0xFFFF, 0xFFFF, 0)),
    ],
)
def test_lab_is_encoded_as_each_version_says(version, lab, codes):
    np.testing.assert_allclose(icc.lab_to_codes(lab, version) * 65535, codes, atol=1e-9)
    np.testing.assert_allclose(icc.codes_to_lab(np.array(codes) / 65535, version), lab, atol=1e-12)


@pytest.mark.parametrize("version", ["2.4", "4.4"])
@pytest.mark.parametrize(
    ("space", "littlecms", "channels"),
    [("GRAY", "gray", 1), ("RGB ", "rgb", 3), ("CMYK", "cmyk", 4)],
)
def test_littlecms_reads_tables_of_any_number_of_channels(version, space, littlecms, channels):
    """First input slowest, curves before and after: L* from the first input, a* from the last."""
    points = np.linspace(0, 1, 5)
    grid = np.stack(np.meshgrid(*[points] * channels, indexing="ij"), axis=-1)
    lab = np.zeros((*grid.shape[:-1], 3))
    lab[..., 0] = 100 * grid[..., 0]
    lab[..., 1] = 60 * grid[..., -1]
    squared = np.linspace(0, 1, 256) ** 2
    straight = np.linspace(0, 1, 2)
    profile = lut_profile(
        version, space, icc.lab_to_codes(lab, version), [squared] * channels, [straight] * 3
    )
    codes = np.random.default_rng(2).integers(0, 65536, (1, 500, channels), dtype=np.uint16)
    answer = imagecodecs.cms_transform(
        codes, profile, imagecodecs.cms_profile("lab4"), colorspace=littlecms,
        outcolorspace="lab", intent=1, flags=0x100,
    )  # fmt: skip
    expected = np.zeros((500, 3))
    expected[:, 0] = 100 * (codes[0, :, 0] / 65535) ** 2
    expected[:, 1] = 60 * (codes[0, :, -1] / 65535) ** 2
    answer_lab = icc.codes_to_lab(answer.reshape(-1, 3) / 65535, "4.4")
    np.testing.assert_allclose(answer_lab, expected, atol=0.02)


def test_grids_of_version_4_may_differ_in_their_sides():
    grid = np.full((2, 3, 4, 3), 0.5)
    table = icc.lut_a_to_b([icc.curve()] * 3, grid, [icc.curve()] * 3)
    clut = struct.unpack_from(">I", table, 24)[0]
    assert bytes([2, 3, 4]) + bytes(13) + b"\x02" == table[clut : clut + 17]


def test_the_reference_validator_accepts_all_parts_of_a_version_4_table():
    grid = np.stack(np.meshgrid(*[np.linspace(0, 1, 3)] * 3, indexing="ij"), axis=-1)
    parts = {
        "m_curves": [icc.parametric_curve([1.0])] * 3,
        "matrix": np.eye(3, 4),
    }
    curves = [icc.curve(np.linspace(0, 1, 5))] * 3
    tags = {
        "desc": icc.localized_text("test"),
        "cprt": icc.localized_text("none"),
        "wtpt": icc.xyz(icc.D50_XYZ),
        "chad": icc.s15_fixed16_array(np.eye(3)),
        "A2B0": icc.lut_a_to_b(curves, grid, curves, **parts),
        "B2A0": icc.lut_b_to_a(curves, grid, curves, **parts),
    }
    profile = icc.encode_profile(icc.Header("4.4", "spac", "RGB ", "Lab ", WHEN), tags)
    result = iccdev.validate_profile(profile)
    assert iccdev.ValidationStatus.OK == result.status, result.report


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: icc.curve([0.5]), "read as a gamma"),
        (lambda: icc.parametric_curve([1, 2]), "1, 3, 4, 5 or 7"),
        (lambda: icc.lut16(np.zeros((3, 2)), np.zeros((2, 2, 3)), np.zeros((3, 2))), "do not fit"),
        (lambda: icc.lut16(np.zeros((1, 5000)), np.zeros((2, 3)), np.zeros((3, 2))), "2 to 4096"),
        (lambda: icc.lut_a_to_b([icc.curve()], np.zeros((2, 2, 3)), [icc.curve()] * 3), "2 inputs"),
        (
            lambda: icc.encode_profile(icc.Header("4.4", "mntr", "RGB", "XYZ ", WHEN), {}),
            "four characters, 'RGB' has 3",
        ),
    ],
)
def test_parts_that_do_not_fit_are_named(make, message):
    with pytest.raises(ValueError, match=message):
        make()
