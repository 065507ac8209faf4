"""Colour differences against their publication, and their statistics."""

from pathlib import Path

import numpy as np
import pytest

import colour
from hotfolder.colour.difference import (
    DifferenceStatistics,
    delta_e_00,
    delta_e_00_parts,
)

PAIRS = np.loadtxt(
    Path(__file__).parents[1] / "reference/ciede2000-pairs.csv",
    delimiter=",",
    comments="#",
    skiprows=6,
)
RNG = np.random.default_rng(5)


def labs(count):
    return RNG.uniform([0, -128, -128], [100, 127, 127], (count, 3))


def test_all_34_published_pairs_are_there():
    assert PAIRS.shape == (34, 7)


@pytest.mark.parametrize("row", PAIRS, ids=lambda row: f"{row[6]:.4f}")
def test_published_pairs_come_out_to_the_printed_digit(row):
    assert round(row[6], 4) == round(float(delta_e_00(row[:3], row[3:6])), 4)


def test_it_is_symmetric():
    first, second = labs(10_000), labs(10_000)
    np.testing.assert_allclose(delta_e_00(first, second), delta_e_00(second, first), atol=1e-11)


def test_it_agrees_with_colour_science_on_random_pairs():
    first, second = labs(20_000), labs(20_000)
    expected = colour.delta_E(first, second, method="CIE 2000")
    np.testing.assert_allclose(delta_e_00(first, second), expected, atol=1e-9)


def test_equal_colours_differ_by_zero():
    lab = labs(10_000)
    assert float(delta_e_00(lab, lab).max()) == 0.0


def test_float32_and_any_shape_are_taken():
    pairs = PAIRS.astype(np.float32).reshape(2, 17, 7)
    difference = delta_e_00(pairs[..., :3], pairs[..., 3:6])
    assert difference.shape == (2, 17)
    # The inputs are rounded to 24 bits, the differences of 34 pairs printed to 4 digits.
    np.testing.assert_allclose(difference, pairs[..., 6], atol=2e-4)


@pytest.mark.parametrize(
    ("change", "part"),
    [((8, 0, 0), "lightness"), ((0, 6, 0), "chroma"), ((0, 0, 3), "hue")],
)
def test_a_change_of_one_kind_is_in_that_part(change, part):
    reference = np.array([50.0, 40.0, 0.0])
    parts = delta_e_00_parts(reference, reference + change)
    sizes = {name: abs(float(getattr(parts, name))) for name in ("lightness", "chroma", "hue")}
    assert part == max(sizes, key=sizes.__getitem__)
    others = [size for name, size in sizes.items() if name != part]
    assert max(others) < 0.05 * sizes[part]


def test_parts_are_signed():
    darker = delta_e_00_parts(np.array([50.0, 10, 10]), np.array([40.0, 10, 10]))
    assert float(darker.lightness) < 0
    paler = delta_e_00_parts(np.array([50.0, 20, 0]), np.array([50.0, 10, 0]))
    assert float(paler.chroma) < 0


def test_the_parts_add_up_away_from_blue():
    # R_T is below 1e-9 for a mean hue of 90 degrees, Sharma (2005) equations 17 and 20.
    first = np.array([60.0, 0.5, 50.0])
    second = np.array([65.0, -2.0, 60.0])
    parts = delta_e_00_parts(first, second)
    squares = parts.lightness**2 + parts.chroma**2 + parts.hue**2
    assert float(parts.total) == pytest.approx(float(np.sqrt(squares)), abs=1e-6)


def statistics_of(*parts):
    statistics = DifferenceStatistics()
    for part in parts:
        statistics.add(part)
    return statistics


def test_statistics_agree_with_numpy_to_half_a_code():
    values = RNG.gamma(2, 2, 100_000)
    expected = {
        "mean": values.mean(),
        "p95": np.percentile(values, 95, method="inverted_cdf"),
        "p99": np.percentile(values, 99, method="inverted_cdf"),
        "max": values.max(),
    }
    # Half a code of 100 / 65535, and half of the third decimal that is given.
    assert statistics_of(values).summary() == pytest.approx(expected, abs=0.0008 + 0.0005)


def test_statistics_do_not_depend_on_how_a_picture_is_cut():
    values = RNG.gamma(2, 2, (100, 90))
    whole = statistics_of(values).summary()
    assert whole == statistics_of(values[:1], values[1:37], values[37:]).summary()


def test_share_above_does_not_count_the_tolerance_itself():
    statistics = statistics_of(np.array([0.0, 2.9, 3.0, 3.1]))
    assert statistics.share_above(3.0) == 0.25


def test_what_is_beyond_the_scale_counts_as_its_end():
    assert statistics_of(np.array([250.0])).summary()["max"] == 100.0


def test_nothing_counted_is_zeros():
    statistics = DifferenceStatistics()
    assert statistics.summary() == {"mean": 0.0, "p95": 0.0, "p99": 0.0, "max": 0.0}
    assert statistics.share_above(3.0) == 0.0
