"""Pictures that the gamut check is shown, and how."""

import numpy as np

from hotfolder.testing import make_stage, run_stage
from hotfolder_stages.gamut_check import GamutCheck
from reference.devices import demo_printer, libvips, random_pixels
from stages.driving import job_of

CMYK = libvips("cmyk")
CANVAS = demo_printer("matte-canvas", "4.4")


COLOURS = (
    np.array(
        [
            (255, 0, 0),
            (0, 255, 0),
            (0, 0, 255),
            (0, 255, 255),
            (255, 0, 255),
            (255, 255, 0),
            (128, 128, 128),
            (194, 150, 130),
        ],
        dtype=np.uint16,
    )
    * 257
)


def checked(pixels, spec, destination, settings=None, conversion=None, told=(), **more):
    stage = make_stage(GamutCheck, settings or {})
    beside = [] if conversion is None else [conversion]
    job = job_of(spec, profile=destination, beside=beside, told=told)
    return run_stage(stage, pixels, spec, job, **more)


def picture(channels=3, height=100, width=200):
    return random_pixels(channels, height * width).reshape(height, width, channels)


def green_share(lost, of):
    """A picture of `of` rows, of which `lost` are a green that paper cannot make."""
    pixels = np.full((of, 10, 3), 50_000, dtype=np.uint16)
    pixels[:lost] = COLOURS[1]
    return pixels
