"""A grid of a function that bends: what is done where its points miss."""

import numpy as np
import pytest

from hotfolder.colour.grid import WANTED_MAX, Grid
from hotfolder.model.encoding import Encoding

WANTED = WANTED_MAX[Encoding.RGB]
CODES_PER_UNIT = 200
NEUTRALS = np.repeat(np.arange(65536, dtype=np.uint16)[:, None], 3, axis=1)


class Wave:
    """Three channels to one, bent so that a straight line over a cell misses by 65 codes at most.

    By the sagitta of a cell, h² f'' / 8 with h = 512; over half a cell, by a quarter of that.
    """

    def __init__(self):
        self.computed = 0

    def __call__(self, colours):
        self.computed += colours[..., 0].size
        return np.rint(20_000 + 8_000 * np.sin(colours[..., :1] / 2_000)).astype(np.uint16)


def distance(one, other):
    return np.abs(one.astype(np.float64) - other.astype(np.float64))[..., 0] / CODES_PER_UNIT


def grid_of(exact, apart=distance, *, is_costly):
    return Grid(exact, apart, Encoding.RGB, 1, neutrals=exact(NEUTRALS), is_costly=is_costly)


@pytest.fixture(scope="module")
def pixels():
    """Of few blocks, as a photograph has them: 20,000 in each."""
    return np.random.default_rng(3).integers(8_192, 12_288, (400, 400, 3), dtype=np.uint16)


def test_where_the_exact_conversion_is_costly_blocks_that_miss_get_closer_points(pixels):
    exact, costly = Wave(), Wave()
    expected = Wave()(pixels)
    grid = grid_of(exact, is_costly=False)
    off = distance(grid.apply(pixels), expected)
    assert off.max() <= 66 / CODES_PER_UNIT
    assert grid.bound.exact_share > 0.3
    grid = grid_of(costly, is_costly=True)
    with_closer = distance(grid.apply(pixels), expected)
    assert with_closer[with_closer > off].max() <= 17 / CODES_PER_UNIT
    assert grid.bound.exact_share == 0
    assert grid.bound.largest <= WANTED
    assert costly.computed - len(NEUTRALS) < 0.3 * (exact.computed - len(NEUTRALS))


def test_what_closer_points_miss_as_well_is_exact(pixels):
    exact = Wave()
    grid = grid_of(exact, lambda one, other: 20 * distance(one, other), is_costly=True)
    made = grid.apply(pixels)
    assert grid.bound.exact_share > 0.5
    assert (made == Wave()(pixels)).mean() > grid.bound.exact_share * 0.9


def test_what_a_pixel_becomes_does_not_depend_on_how_a_picture_is_cut(pixels):
    at_once = grid_of(Wave(), is_costly=True).apply(pixels)
    grid = grid_of(Wave(), is_costly=True)
    in_parts = [grid.apply(pixels[top : top + 3]) for top in range(0, len(pixels), 3)]
    np.testing.assert_array_equal(np.concatenate(in_parts), at_once)
