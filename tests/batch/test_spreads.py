"""Facing pages compared: worked out by hand."""

import pytest

from hotfolder.batch.spreads import PageLook, compare_spreads


def look(page, lightness=50.0, a=0.0, b=0.0, area=1.0, share=0.5, paper="p"):
    return PageLook(page, area, lightness, share, a, b, paper)


def test_an_even_page_faces_the_next_odd_one():
    found, compared = compare_spreads(
        [look("1", 10), look("2", 50), look("3", 90), look("4", 10)], 8, 2
    )
    assert 1 == compared
    assert [(2, 3, 40.0, ("lightness",))] == [
        (each.left, each.right, each.lightness, each.what) for each in found
    ]


@pytest.mark.parametrize(("lightness", "expected"), [(58.0, 0), (58.01, 1), (41.99, 1)])
def test_the_stated_amount_is_still_allowed(lightness, expected):
    assert expected == len(compare_spreads([look("2"), look("3", lightness)], 8, 2)[0])


def test_greys_are_compared_by_distance():
    (found,), _ = compare_spreads([look("2", a=1, b=-1), look("3", a=-2, b=3)], 8, 2)
    assert (5.0, ("greys",)) == (found.greys, found.what)


def test_a_page_is_the_mean_by_area_and_its_greys_by_their_share():
    page = [look("2", 20, a=0, area=3, share=0.1), look("2", 60, a=6, area=1, share=0.9)]
    (found,), _ = compare_spreads([*page, look("3", 80)], 8, 2)
    assert (80 - 30, 6 * 0.9 / 1.2) == pytest.approx((found.lightness, found.greys))


def test_pages_without_greys_or_numbers_are_not_compared_in_them():
    (found,), compared = compare_spreads(
        [look("2", 10, a=None, b=None), look("3", 90), look("iv")], 8, 2
    )
    assert (None, ("lightness",), 1) == (found.greys, found.what, compared)


def test_another_paper_is_named():
    (found,), _ = compare_spreads([look("2"), look("3", paper="q")], 8, 2)
    assert ("paper",) == found.what
