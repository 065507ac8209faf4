"""The size of a gamut, against the mesh of the device's own cube."""

import numpy as np
import pytest

from hotfolder.colour.engine import to_lab
from hotfolder.colour.gamut import gamut_of, gamut_volume
from hotfolder.colour.medium import largest_ink_sum
from reference.devices import demo_printer
from stages.driving import SRGB, WIDE_RGB

CANVAS = demo_printer("matte-canvas", "4.4")


def volume_of_cube(profile, n=65):
    """Exact for three channels: its boundary is the image of the cube's six faces."""
    u, v = np.meshgrid(*[np.linspace(0, 1, n)] * 2, indexing="ij")
    volume = 0
    for axis in range(3):
        for end in (0, 1):
            device = np.insert(np.stack([u, v], axis=-1), axis, end, axis=-1)
            lab = to_lab(profile, np.rint(device * 65535).astype(np.uint16)) - [50, 0, 0]
            a, b, c, d = lab[:-1, :-1], lab[1:, :-1], lab[1:, 1:], lab[:-1, 1:]
            sign = (-1) ** (end + (axis == 1))
            volume += sign * (a * np.cross(b, c) + a * np.cross(c, d)).sum() / 6
    return abs(volume)


@pytest.mark.parametrize("profile", [SRGB, WIDE_RGB, CANVAS], ids=["srgb", "wide", "canvas"])
def test_the_volume_is_that_of_the_device_cube(profile):
    assert volume_of_cube(profile) == pytest.approx(gamut_volume(profile), rel=0.01)


def test_inks_have_less_than_their_hull():
    from scipy.spatial import ConvexHull

    book = demo_printer("coated-book", "4.4")
    inks = np.random.default_rng(1).random((60_000, 4)).round()
    some = np.random.default_rng(2).random((60_000, 4))
    device = np.where(np.random.default_rng(3).random((60_000, 4)) < 0.6, inks, some)
    device = device[device.sum(axis=1) <= largest_ink_sum(book)]
    lab = to_lab(book, np.rint(device[None] * 65535).astype(np.uint16))[0]
    hull = ConvexHull(lab).volume
    assert 0.85 * hull < gamut_volume(book) <= 1.02 * hull


def test_nothing_of_srgb_is_short_in_srgb_or_in_what_holds_it():
    for profile in (SRGB, WIDE_RGB):
        gamut = gamut_of(profile)
        assert max(gamut.short_by_hue.values()) < 0.01
        assert gamut.share_of_srgb >= 1


def test_a_canvas_is_short_of_violets_and_hardly_of_oranges():
    gamut = gamut_of(CANVAS)
    assert 0.3 < gamut.share_of_srgb < 0.45
    assert ["violet", "magenta"] == list(gamut.short_by_hue)[:2]
    assert gamut.short_by_hue["orange"] < 0.05
