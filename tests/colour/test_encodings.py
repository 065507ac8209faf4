"""Lab, XYZ, white and alpha in numbers."""

import numpy as np
import pytest

import colour
from hotfolder.colour.encodings import (
    flattened,
    lab_to_xyz,
    white,
    xyz_to_lab,
)
from hotfolder.model.encoding import Encoding


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
