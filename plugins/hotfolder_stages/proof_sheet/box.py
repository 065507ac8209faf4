"""The loop by which a picture becomes small: sums of light over squares of pixels."""

from __future__ import annotations

from typing import Any

import numpy as np

from hotfolder.compiled import compiled, made, number, seen


@compiled(seen("u2", 3), seen("f4", 2), number("i8"), number("i8"), made("f4", 3))
def add_light(pixels: Any, lights: Any, down: int, across: int, sums: Any) -> None:
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
        for column in range(width):
            for channel in range(channels):
                sums[row, column, channel] = np.float32(0)
        for below in range(down):
            line = row * down + below
            at = 0
            for column in range(width):
                for _ in range(across):
                    for channel in range(channels):
                        light = lights[channel, pixels[line, at, channel]]
                        sums[row, column, channel] += light
                    at += 1
