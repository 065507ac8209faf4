"""The loops of `apply`: L* of RGB by curves and a matrix, and RGB with another L*."""

from __future__ import annotations

import numpy as np

from hotfolder.colour import Array, compiled, inlined, made, seen

_AT_ONCE = 512
"""Pixels that stay in a core's first cache with all that is computed of them."""

_FULL = np.float32(65535)
_KNEE = np.float32(6 / 29)
_KNEE_LIGHT = np.float32((6 / 29) ** 3)
_SLOPE = np.float32(3 * (6 / 29) ** 2)
_OFFSET = np.float32(4 / 29)
_PER_SLOPE = np.float32(1 / (3 * (6 / 29) ** 2))
_PER_L = np.float32(1 / 116)
_L = np.float32(116)
_L_OF_BLACK = np.float32(16)
_ZERO, _HALF, _ONE, _TWO = np.float32(0), np.float32(0.5), np.float32(1), np.float32(2)
_TINY = np.float32(1e-9)
_THIRD = np.float32(1 / 3)
_BIAS = np.int32(0x2A5137A0)
"""Two thirds of the bits of 1.0, less what makes the guess right on average."""


@inlined
def root_of(light: np.float32) -> np.float32:
    """f(t) of CIE 15:2018, 8.2.1: the cube root of light, with its straight piece near black.

    A third of a float's bits, read as a whole number, is within 4 % of its cube root; two steps
    of Halley's method, each of which cubes the error, leave the rounding of float32.
    """
    light = max(_ZERO, light)
    above = max(_KNEE_LIGHT, light)
    third = np.int32(np.float32(np.float32(above).view(np.int32)) * _THIRD)
    root = np.int32(third + _BIAS).view(np.float32)
    cube = root * root * root
    root = root * ((cube + _TWO * above) / (_TWO * cube + above))
    cube = root * root * root
    root = root * ((cube + _TWO * above) / (_TWO * cube + above))
    return root if light > _KNEE_LIGHT else light * _PER_SLOPE + _OFFSET


@inlined
def cube_of(root: np.float32) -> np.float32:
    """The inverse of `root_of`."""
    return root * root * root if root > _KNEE else _SLOPE * (root - _OFFSET)


@inlined
def _within(start: np.float32, step: np.float32, share: np.float32) -> np.float32:
    """How much of a step from `start` stays in 0 … 1, at most `share`."""
    room = _ONE - start if step > _ZERO else start
    size = max(_TINY, abs(step))
    most = room / size
    return min(share, most)


@inlined
def _place(light: np.float32, last: np.float32) -> np.uint32:
    light = max(_ZERO, light)
    light = min(_ONE, light)
    # no number below nothing, which would have to be looked for at each place
    return np.uint32(np.int32(np.sqrt(light) * last + _HALF))


@inlined
def _places(
    light: Array, added: Array, to_xyz: Array, to_rgb: Array, last: np.float32, place: Array
) -> None:
    """Where the codes of light with `added` L* stand in the tables from light.

    A step that leaves 0 … 1 is shortened, so that no channel is clipped by itself.
    """
    reds, greens, blues = light[0], light[1], light[2]
    red_at, green_at, blue_at = place[0], place[1], place[2]
    xr, xg, xb = to_xyz[0, 0], to_xyz[0, 1], to_xyz[0, 2]
    yr, yg, yb = to_xyz[1, 0], to_xyz[1, 1], to_xyz[1, 2]
    zr, zg, zb = to_xyz[2, 0], to_xyz[2, 1], to_xyz[2, 2]
    rx, ry, rz = to_rgb[0, 0], to_rgb[0, 1], to_rgb[0, 2]
    gx, gy, gz = to_rgb[1, 0], to_rgb[1, 1], to_rgb[1, 2]
    bx, by, bz = to_rgb[2, 0], to_rgb[2, 1], to_rgb[2, 2]
    for at in range(len(added)):
        r, g, b = reds[at], greens[at], blues[at]
        step = added[at] * _PER_L
        x = cube_of(root_of(xr * r + xg * g + xb * b) + step)
        y = cube_of(root_of(yr * r + yg * g + yb * b) + step)
        z = cube_of(root_of(zr * r + zg * g + zb * b) + step)
        dr = rx * x + ry * y + rz * z - r
        dg = gx * x + gy * y + gz * z - g
        db = bx * x + by * y + bz * z - b
        share = _within(r, dr, _within(g, dg, _within(b, db, _ONE)))
        red_at[at] = _place(r + share * dr, last)
        green_at[at] = _place(g + share * dg, last)
        blue_at[at] = _place(b + share * db, last)


@compiled(seen("f4", 1), made("f4", 1))
def roots_of(light: Array, roots: Array) -> None:
    """f(t) of much light."""
    for at in range(len(light)):
        roots[at] = root_of(light[at])


@compiled(
    seen("u2", 2),
    seen("f4", 1),
    seen("f4", 1),
    seen("f4", 1),
    seen("f4", 1),
    made("f4", 1),
)
def lightness_of(
    codes: Array, red: Array, green: Array, blue: Array, to_y: Array, out: Array
) -> None:
    """L* of pixels. red, green, blue: light of each code; to_y: the share of each in Y."""
    from_red, from_green, from_blue = to_y[0], to_y[1], to_y[2]
    for start in range(0, len(codes), _AT_ONCE):
        part = codes[start : start + _AT_ONCE]
        made_here = out[start : start + _AT_ONCE]
        for at in range(len(part)):
            light = red[part[at, 0]] * from_red + green[part[at, 1]] * from_green
            made_here[at] = light + blue[part[at, 2]] * from_blue
        for at in range(len(made_here)):
            made_here[at] = _L * root_of(made_here[at]) - _L_OF_BLACK


@compiled(
    seen("u2", 2),
    seen("f4", 1),
    seen("f4", 1),
    seen("f4", 1),
    seen("f4", 1),
    seen("f4", 2),
    seen("f4", 2),
    seen("u2", 1),
    seen("u2", 1),
    seen("u2", 1),
    made("u2", 2),
)
def move_lightness(
    codes: Array,
    added: Array,
    red: Array,
    green: Array,
    blue: Array,
    to_xyz: Array,
    to_rgb: Array,
    from_red: Array,
    from_green: Array,
    from_blue: Array,
    out: Array,
) -> None:
    """Pixels with `added` L*; where it is 0 they stay what they are.

    red, green, blue: light of each code; from_…: codes, by the square root of light.
    """
    light = np.empty((3, _AT_ONCE), np.float32)
    place = np.empty((3, _AT_ONCE), np.uint32)
    moving = np.empty(_AT_ONCE, np.uint32)
    by = np.empty(_AT_ONCE, np.float32)
    last = np.float32(len(from_red) - 1)
    for start in range(0, len(codes), _AT_ONCE):
        part, steps = codes[start : start + _AT_ONCE], added[start : start + _AT_ONCE]
        new = out[start : start + _AT_ONCE]
        count = 0
        for at in range(len(steps)):
            moving[count] = at
            by[count] = steps[at]
            count += steps[at] != _ZERO
        for at in range(len(part)):
            for channel in range(3):
                new[at, channel] = part[at, channel]
        for each in range(count):
            at = moving[each]
            light[0, each] = red[part[at, 0]]
            light[1, each] = green[part[at, 1]]
            light[2, each] = blue[part[at, 2]]
        _places(light, by[:count], to_xyz, to_rgb, last, place)
        for each in range(count):
            at = moving[each]
            new[at, 0] = from_red[place[0, each]]
            new[at, 1] = from_green[place[1, each]]
            new[at, 2] = from_blue[place[2, each]]
