"""The lattice against LittleCMS's interpolation of the same points, and what it must keep."""

import struct
from datetime import UTC, datetime

import imagecodecs
import numpy as np
import pytest

from hotfolder.colour import icc_encode as icc
from hotfolder.colour.lattice import Lattice

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


def random_lattice(points, inputs, outputs=3):
    random = np.random.default_rng(points)
    return random.integers(0, 65536, (points,) * inputs + (outputs,), dtype=np.uint16)


def smooth_lattice(points, inputs):
    """Curved in every direction, three outputs."""
    axes = np.meshgrid(*[np.linspace(0, 1, points)] * inputs, indexing="ij")
    weights = np.random.default_rng(points).uniform(0, 1, (3, inputs))
    weights /= weights.sum(axis=1, keepdims=True)
    powers = (0.5, 1.0, 2.0)
    values = [
        sum(w * axis**power for w, axis in zip(row, axes, strict=True))
        for row, power in zip(weights, powers, strict=True)
    ]
    return np.rint(65535 * np.stack(values, axis=-1)).astype(np.uint16)


def random_pixels(inputs, count=20_000):
    return np.random.default_rng(3).integers(0, 65536, (count, inputs), dtype=np.uint16)


@pytest.mark.parametrize("points", [2, 9, 33, 65])
def test_three_channels_agree_with_littlecms(points):
    """Same tetrahedra; LittleCMS works in whole numbers, so one code may differ."""
    values, pixels = smooth_lattice(points, 3), random_pixels(3)
    difference = by_littlecms(values, pixels).astype(int) - Lattice(values).look_up(pixels)
    assert np.abs(difference).max() <= 1


@pytest.mark.parametrize("points", [2, 9, 17])
def test_four_channels_agree_with_littlecms(points):
    """LittleCMS takes the first channel apart, we the last; and it rounds three times, we once."""
    values, pixels = smooth_lattice(points, 4), random_pixels(4)
    turned = np.ascontiguousarray(np.moveaxis(values, 0, 3))
    ours = Lattice(turned).look_up(np.ascontiguousarray(pixels[:, [1, 2, 3, 0]]))
    assert np.abs(by_littlecms(values, pixels).astype(int) - ours).max() <= 2


@pytest.mark.parametrize("inputs", [3, 4])
@pytest.mark.parametrize("outputs", [1, 2, 3, 4])
def test_points_are_met_exactly_up_to_the_last_one(inputs, outputs):
    values = random_lattice(6, inputs, outputs)
    index = np.stack(np.meshgrid(*[np.arange(6)] * inputs, indexing="ij"), -1).reshape(-1, inputs)
    pixels = (index * 13107).astype(np.uint16)
    np.testing.assert_array_equal(
        values.reshape(-1, outputs), Lattice(values).look_up(pixels), strict=True
    )


@pytest.mark.parametrize("inputs", [3, 4])
def test_what_is_linear_stays_linear(inputs):
    points = np.linspace(0, 65535, 5)
    axes = np.meshgrid(*[points] * inputs, indexing="ij")
    weights = np.array([0.4, 0.3, 0.2, 0.1])[:inputs]
    plane = sum(weight * axis for weight, axis in zip(weights, axes, strict=True))
    pixels = random_pixels(inputs)
    expected = pixels @ weights
    assert np.abs(expected - Lattice(plane[..., None]).look_up(pixels)[:, 0]).max() <= 0.52


def test_greys_meet_only_the_points_on_the_diagonal():
    values = random_lattice(5, 3)
    on_it = np.zeros_like(values)
    diagonal = np.arange(5)
    on_it[diagonal, diagonal, diagonal] = values[diagonal, diagonal, diagonal]
    greys = np.repeat(np.arange(0, 65536, 7, dtype=np.uint16)[:, None], 3, axis=1)
    np.testing.assert_array_equal(Lattice(values).look_up(greys), Lattice(on_it).look_up(greys))


def test_pixels_may_be_read_only_or_scattered():
    values, pixels = random_lattice(5, 3), random_pixels(3, 100)
    expected = Lattice(values).look_up(pixels)
    fixed = pixels.copy()
    fixed.flags.writeable = False
    np.testing.assert_array_equal(expected, Lattice(values).look_up(fixed))
    np.testing.assert_array_equal(expected[::2], Lattice(values).look_up(pixels[::2]))
