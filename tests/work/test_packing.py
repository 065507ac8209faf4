"""Rectangles on a strip: none overlap, and the strip is nearly as short as their area allows."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotfolder.work.packing import pack_strip

SIDES = st.integers(1, 60)


def extents(sizes, packed):
    for (across, along), place in zip(sizes, packed.places, strict=True):
        width, length = (along, across) if place.is_turned else (across, along)
        yield place.left, place.top, place.left + width, place.top + length


@settings(max_examples=25, deadline=None)
@given(sizes=st.lists(st.tuples(SIDES, SIDES), min_size=1, max_size=7))
def test_no_two_overlap_and_none_reaches_beyond_the_strip(sizes):
    packed = pack_strip(sizes, 60)
    found = list(extents(sizes, packed))
    assert packed.length == max(bottom for *_, bottom in found)
    for number, (left, top, right, bottom) in enumerate(found):
        assert 0 <= left < right <= 60
        assert 0 <= top < bottom
        for other_left, other_top, other_right, other_bottom in found[:number]:
            assert (
                right <= other_left
                or other_right <= left
                or bottom <= other_top
                or other_bottom <= top
            )


def test_what_fits_together_without_a_hole_is_laid_so():
    assert 10 == pack_strip([(10, 4), (4, 10), (6, 6), (6, 4)], 14).length


def test_one_set_has_one_layout():
    sizes = [(each * 7 % 31 + 5, each * 11 % 23 + 5) for each in range(8)]
    assert pack_strip(sizes, 60) == pack_strip(sizes, 60)


def test_a_rectangle_that_fits_neither_way_is_named_by_its_number():
    with pytest.raises(ValueError) as error:
        pack_strip([(5, 5), (61, 70)], 60)
    assert (1,) == error.value.args


def test_thirty_pictures_come_within_a_tenth_of_their_area():
    # prints of 20 to 60 cm on a roll of 44 inches, in the shapes of photographs
    chance = random.Random(3)
    long_sides = [chance.randint(200, 600) for _ in range(30)]
    shapes = [chance.choice([1, 5 / 4, 4 / 3, 3 / 2, 16 / 9]) for _ in range(30)]
    sizes = [(side, round(side / shape)) for side, shape in zip(long_sides, shapes, strict=True)]
    bound = sum(across * along for across, along in sizes) / 1118
    assert pack_strip(sizes, 1118).length < 1.1 * bound
