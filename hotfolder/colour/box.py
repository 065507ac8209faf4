"""The loop by which a picture becomes small: sums of light over squares of pixels."""

from __future__ import annotations

import numpy as np

from hotfolder.colour.arrays import Array, Codes
from hotfolder.colour.machine_code import compiled, made, number, seen
from hotfolder.colour.slabs import over_slabs


def average(pixels: Codes, down: int, across: int) -> Codes:
    """Return the mean of each rectangle of pixels, of their codes as they are.

    Parameters
    ----------
    pixels
        Shape (rows, width, channels), dtype uint16. What is left over at the right and at the
        bottom is left out.
    down, across
        Sides of a rectangle.

    Returns
    -------
    uint16, shape (rows // down, width // across, channels).
    """
    rows, width, channels = len(pixels) // down, pixels.shape[1] // across, pixels.shape[2]
    codes = np.tile(np.arange(65536, dtype=np.float32), (channels, 1))
    sums = np.empty((rows, width, channels), np.float32)
    pixels = np.ascontiguousarray(pixels)

    def work(start: int, stop: int) -> None:
        part = pixels[start * down : stop * down]
        add_light(part, codes, down, across, sums[start:stop])

    over_slabs(work, rows, width * down * across)
    means: Codes = np.rint(sums / np.float32(down * across)).astype(np.uint16)
    return means


@compiled(seen("u2", 3), seen("f4", 2), number("i8"), number("i8"), made("f4", 3))
def add_light(pixels: Array, lights: Array, down: int, across: int, sums: Array) -> None:
    """Add up the light of squares, row by row, so that the picture is walked through once.

    Parameters
    ----------
    pixels
        Shape (rows * down, at least width * across, channels), uint16.
    lights
        Shape (channels, 65536), float32: the light of every code.
    down, across
        Sides of a square.
    sums
        Shape (rows, width, channels), float32; overwritten.
    """
    rows, width, channels = sums.shape
    for row in range(rows):
        lines = range(row * down, row * down + down)
        for column in range(width):
            columns = range(column * across, column * across + across)
            if channels == 3:  # all at once; three walks through a square take twice as long
                red = green = blue = np.float32(0)
                for line in lines:
                    for at in columns:
                        red += lights[0, pixels[line, at, 0]]
                        green += lights[1, pixels[line, at, 1]]
                        blue += lights[2, pixels[line, at, 2]]
                sums[row, column, 0], sums[row, column, 1] = red, green
                sums[row, column, 2] = blue
                continue
            for channel in range(channels):
                total = np.float32(0)
                for line in lines:
                    for at in columns:
                        total += lights[channel, pixels[line, at, channel]]
                sums[row, column, channel] = total
