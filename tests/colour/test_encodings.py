"""Lab, XYZ, white and alpha in numbers."""

import numpy as np
import pytest

import colour
from hotfolder.colour.encodings import (
    decode_lab,
    encode_lab,
    flattened,
    lab_to_xyz,
    white,
    xyz_to_lab,
)
from hotfolder.model.encoding import Encoding

# ICC.1:2022, 6.3.4.2, table 12: the corners of the 16-bit PCSLAB.
CORNERS = [
    ((0, -128, -128), (0, 0, 0)),
    ((100, 127, 127), (65535, 65535, 65535)),
    ((100, 0, 0), (65535, 32896, 32896)),
]


@pytest.mark.parametrize(("lab", "codes"), CORNERS)
def test_the_corners_of_the_encoding(lab, codes):
    assert list(codes) == encode_lab(np.array(lab, dtype=float)).tolist()
    np.testing.assert_allclose(decode_lab(np.array(codes, dtype=np.uint16)), lab, atol=1e-5)


def test_every_code_survives_decoding_and_encoding():
    codes = np.repeat(np.arange(65536, dtype=np.uint16)[:, None], 3, axis=1)
    np.testing.assert_array_equal(codes, encode_lab(decode_lab(codes)))


def test_what_does_not_fit_is_clipped():
    assert [65535, 0, 65535] == encode_lab(np.array([120.0, -200, 300])).tolist()


def test_xyz_agrees_with_colour_science():
    lab = np.random.default_rng(3).uniform([0, -100, -100], [100, 100, 100], (1000, 3))
    white_xy = colour.XYZ_to_xy([0.9642, 1.0, 0.8249])
    np.testing.assert_allclose(lab_to_xyz(lab), colour.Lab_to_XYZ(lab, white_xy), atol=1e-12)
    np.testing.assert_allclose(xyz_to_lab(lab_to_xyz(lab)), lab, atol=1e-10)


@pytest.mark.parametrize("encoding", Encoding)
def test_nothing_opaque_is_changed_and_what_is_clear_becomes_white(encoding):
    pixels = np.full((2, 1, encoding.channels), 20_000, dtype=np.uint16)
    alpha = np.array([[65535], [0]], dtype=np.uint16)
    flat = flattened(pixels, alpha, encoding)
    assert flat[0, 0].tolist() == pixels[0, 0].tolist()
    assert flat[1, 0].tolist() == white(encoding).tolist()


def test_half_clear_is_half_way_to_white():
    pixels = np.zeros((1, 1, 3), dtype=np.uint16)
    alpha = np.array([[32768]], dtype=np.uint16)
    assert flattened(pixels, alpha, Encoding.RGB).tolist() == [[[32767] * 3]]


def test_paper_is_no_ink():
    assert white(Encoding.CMYK).tolist() == [0, 0, 0, 0]
