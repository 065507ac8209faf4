"""The patchwork against LittleCMS's interpolation of the same points, and what it must keep."""

import struct
from datetime import UTC, datetime

import imagecodecs
import numpy as np
import pytest

from hotfolder.colour import icc_encode as icc
from hotfolder.colour.patchwork import Patchwork, mark_blocks

SPACES = {3: ("RGB ", "rgb"), 4: ("CMYK", "cmyk")}
KEEP_NODES = 0x4


def link(values):
    """A device link that holds the points and nothing else, or nothing."""
    inputs, outputs, grid = 3, 3, b""
    if values is not None:
        inputs, outputs = values.ndim - 1, values.shape[-1]
        sides = bytes([len(values)] * inputs).ljust(16, b"\0")
        grid = sides + bytes([2, 0, 0, 0]) + values.astype(">u2").tobytes()
    table = b"mAB " + bytes(4)
    table += struct.pack(">BBH5I", inputs, outputs, 0, 0, 0, 0, 32 if grid else 0, 0) + grid
    made = datetime(2000, 1, 1, tzinfo=UTC)
    header = icc.Header("4.4", "link", SPACES[inputs][0], SPACES[outputs][0], made)
    return icc.encode_profile(header, {"desc": icc.localized_text("points"), "A2B0": table})


def by_littlecms(values, pixels):
    return imagecodecs.cms_transform(
        pixels[None],
        link(values),
        link(None),
        colorspace=SPACES[values.ndim - 1][1],
        outcolorspace="rgb",
        outdtype="uint16",
        intent=0,
        flags=len(values) << 16 | KEEP_NODES,
    )[0]


def smooth(colours):
    """A function curved in every direction: three outputs, 0 … 65535."""
    inputs = colours.shape[-1]
    weights = np.random.default_rng(inputs).uniform(0, 1, (3, inputs))
    weights /= weights.sum(axis=1, keepdims=True)
    places = colours / 65535
    curves = [places**power @ row for row, power in zip(weights, (0.5, 1, 2), strict=True)]
    return np.rint(65535 * np.stack(curves, axis=-1))


def scattered(colours, outputs=3):
    """A function without any order."""
    mixed = colours.astype(np.uint64) * [7919, 104729, 1299709, 15485863][: colours.shape[-1]]
    seed = mixed.sum(axis=-1)[:, None] * np.arange(3, 3 + outputs, dtype=np.uint64)
    return seed % 65521


def everywhere(compute, inputs, outputs=3, blocks=4, cells=2):
    """A patchwork and a grid of the same points."""
    side = blocks * cells + 1
    steps = np.rint(np.linspace(0, 65535, side)).astype(np.uint16)
    points = np.stack(np.meshgrid(*[steps] * inputs, indexing="ij"), -1)
    values = compute(points.reshape(-1, inputs)).reshape((*points.shape[:-1], outputs))
    patches = patchwork(compute, inputs, outputs, blocks=blocks, cells=cells)
    return patches, points.reshape(-1, inputs), np.rint(values).astype(np.uint16)


def patchwork(compute, inputs, outputs, **given):
    """One that is computed colour by colour."""
    patches = Patchwork(
        lambda blocks: patches.over_points(blocks, compute), inputs, outputs, **given
    )
    return patches


def looked_up(patches, pixels):
    cover(patches, pixels)
    return patches.look_up(pixels)


def cover(patches, pixels):
    used = np.zeros(patches.blocks**patches.inputs, np.uint8)
    mark_blocks(pixels, patches.blocks, used)
    return patches.cover(np.flatnonzero(used))


def random_pixels(inputs, count=20_000):
    return np.random.default_rng(3).integers(0, 65536, (count, inputs), dtype=np.uint16)


@pytest.mark.parametrize(("blocks", "cells"), [(1, 1), (2, 4), (32, 1), (16, 4)])
def test_three_channels_agree_with_littlecms(blocks, cells):
    """Same tetrahedra; LittleCMS works in whole numbers, so one code may differ."""
    patches, _, values = everywhere(smooth, 3, blocks=blocks, cells=cells)
    pixels = random_pixels(3)
    assert np.abs(by_littlecms(values, pixels).astype(int) - looked_up(patches, pixels)).max() <= 1


@pytest.mark.parametrize(("blocks", "cells"), [(1, 1), (2, 4), (8, 1), (4, 4)])
def test_four_channels_agree_with_littlecms(blocks, cells):
    """LittleCMS takes the first channel apart, we the last; and it rounds three times, we once."""
    patches, _, values = everywhere(smooth, 4, blocks=blocks, cells=cells)
    pixels = random_pixels(4)
    turned = np.ascontiguousarray(np.moveaxis(values, 3, 0))
    theirs = by_littlecms(turned, np.ascontiguousarray(pixels[:, [3, 0, 1, 2]]))
    assert np.abs(theirs.astype(int) - looked_up(patches, pixels)).max() <= 2


@pytest.mark.parametrize("inputs", [3, 4])
@pytest.mark.parametrize("outputs", [1, 2, 3, 4])
def test_points_are_met_exactly_up_to_the_last_one(inputs, outputs):
    patches, points, values = everywhere(
        lambda at: scattered(at, outputs), inputs, outputs, blocks=5, cells=1
    )
    np.testing.assert_array_equal(
        values.reshape(-1, outputs), looked_up(patches, points), strict=True
    )


@pytest.mark.parametrize("inputs", [3, 4])
def test_what_is_linear_stays_linear(inputs):
    """Within a code and a half: where a point lies, what it has, and what comes out are whole."""
    weights = np.array([0.4, 0.3, 0.2, 0.1])[:inputs]

    def compute(at):
        return np.rint(at @ weights).astype(np.uint16)[:, None]

    patches = patchwork(compute, inputs, 1, blocks=4, cells=4)
    pixels = random_pixels(inputs)
    assert np.abs(pixels @ weights - looked_up(patches, pixels)[:, 0]).max() <= 1.5


def test_greys_meet_only_the_points_on_the_diagonal():
    def on_the_diagonal(at):
        is_grey = (at == at[:, :1]).all(axis=1)
        return np.where(is_grey[:, None], scattered(at), 0)

    greys = np.repeat(np.arange(0, 65536, 7, dtype=np.uint16)[:, None], 3, axis=1)
    both = [patchwork(f, 3, 3, blocks=4, cells=4) for f in (scattered, on_the_diagonal)]
    np.testing.assert_array_equal(*(looked_up(patches, greys) for patches in both))


def test_only_blocks_with_pixels_are_computed_and_each_once():
    asked = []

    def compute(at):
        asked.append(len(at))
        return smooth(at)

    patches = patchwork(compute, 3, 3, blocks=8, cells=2)
    corner = random_pixels(3) // 8
    assert [0] == cover(patches, corner).tolist()
    assert [] == cover(patches, corner).tolist()
    assert 27 == sum(asked)
    assert 511 == len(cover(patches, random_pixels(3)))
    assert 27 + 17**3 - 1 - 7 == sum(asked)  # neighbours share points, but not with earlier blocks


def test_a_pixel_becomes_the_same_whatever_came_before_it():
    pixels = random_pixels(3)
    at_once = looked_up(patchwork(scattered, 3, 3, blocks=8, cells=2), pixels)
    patches = patchwork(scattered, 3, 3, blocks=8, cells=2)
    one_by_one = [looked_up(patches, part) for part in np.array_split(pixels[::-1], 100)]
    np.testing.assert_array_equal(at_once, np.concatenate(one_by_one)[::-1])


@pytest.mark.parametrize("inputs", [3, 4])
def test_what_is_not_covered_is_covered_when_a_pixel_misses_it(inputs):
    pixels = random_pixels(inputs)
    expected = looked_up(patchwork(scattered, inputs, 3, blocks=8, cells=2), pixels)
    patches = patchwork(scattered, inputs, 3, blocks=8, cells=2)
    for part in np.array_split(np.arange(len(pixels)), 7):
        np.testing.assert_array_equal(expected[part], patches.look_up(pixels[part]))


@pytest.mark.parametrize("inputs", [3, 4])
def test_points_made_while_others_are_used_are_not_read_from_the_old_ones(inputs):
    """What was covered is asked for before points grow, and used afterwards, as a thread may."""
    pixels = random_pixels(inputs)
    expected = looked_up(patchwork(scattered, inputs, 3, blocks=8, cells=2), pixels)
    patches = patchwork(scattered, inputs, 3, blocks=8, cells=2)
    cover(patches, pixels[:50])
    before = patches.covered()
    cover(patches, pixels)
    asked = []

    def ask(missed):
        asked.append(len(missed))
        return patches.covered() if len(missed) else before

    np.testing.assert_array_equal(expected, patches.look_up(pixels, ask))
    assert 2 == len(asked)


def test_pixels_may_be_read_only_or_scattered():
    patches, pixels = patchwork(smooth, 3, 3, blocks=4, cells=2), random_pixels(3, 100)
    expected = looked_up(patches, pixels)
    fixed = pixels.copy()
    fixed.flags.writeable = False
    np.testing.assert_array_equal(expected, looked_up(patches, fixed))
    np.testing.assert_array_equal(expected[::2], patches.look_up(pixels[::2]))
