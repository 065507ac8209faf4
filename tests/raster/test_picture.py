"""Bands, and the same rows in bands of another height."""

import numpy as np
import pytest

from hotfolder.raster.picture import Band, rebanded, rows_per_band


def cut(pixels, alpha, heights):
    top = 0
    for height in heights:
        rows = slice(top, top + height)
        yield Band(top, pixels[rows], None if alpha is None else alpha[rows])
        top += height


@pytest.mark.parametrize("rows", [1, 4, 7, 20, 23, 50])
@pytest.mark.parametrize("heights", [[23], [7, 7, 7, 2], [1, 12, 10], [1] * 23])
@pytest.mark.parametrize("has_alpha", [False, True])
def test_bands_of_another_height_have_the_same_rows(rows, heights, has_alpha):
    pixels = np.random.default_rng(1).integers(0, 65536, (23, 5, 3), np.uint16)
    alpha = pixels[..., 0].copy() if has_alpha else None
    made = list(rebanded(cut(pixels, alpha, heights), rows))
    assert [rows] * (23 // rows) + [23 % rows] * (23 % rows > 0) == [each.rows for each in made]
    assert list(range(0, 23, rows)) == [each.top for each in made]
    np.testing.assert_array_equal(pixels, np.concatenate([each.pixels for each in made]))
    if alpha is not None:
        np.testing.assert_array_equal(alpha, np.concatenate([each.alpha for each in made]))


def test_rows_are_copied_only_where_two_bands_meet():
    pixels = np.zeros((20, 5, 3), np.uint16)
    made = list(rebanded(cut(pixels, None, [10, 10]), 6))
    shared = [np.shares_memory(pixels, each.pixels) for each in made]
    assert [True, False, True, True] == shared


@pytest.mark.parametrize("size", [(6000, 4000), (2543, 1696), (600, 400), (24, 24), (60000, 9)])
def test_a_small_picture_has_bands_enough_and_none_for_a_handful_of_pixels(size):
    width_px, height_px = size
    rows = rows_per_band(width_px, height_px=height_px)
    assert 1 <= rows <= max(1, rows_per_band(width_px))
    assert -(-height_px // rows) >= 13 or width_px * rows <= 300_000
    assert rows == 1 or width_px * (rows + 1) > 300_000
