"""The loop by which a picture becomes small: sums of light over squares of pixels."""

from __future__ import annotations

import numpy as np

from hotfolder.colour.arrays import Array
from hotfolder.colour.machine_code import compiled, made, number, seen


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
