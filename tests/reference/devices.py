"""Profiles that the checks of colour use: the demo's own, and those inside libvips."""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
import pyvips

from hotfolder.colour.profile import Profile
from hotfolder_demo import profiles

SRGB = Profile.parse(profiles.srgb())
WIDE_RGB = Profile.parse(profiles.adobe_rgb_compatible())
DISPLAY_P3 = Profile.parse(profiles.display_p3())
GREY = Profile.parse(profiles.grey_gamma22())


@cache
def libvips(name: str) -> Profile:
    """A profile inside libvips: ``"cmyk"`` is a printer in version 2.2 with its measurements."""
    return Profile.parse(bytes(pyvips.Image.profile_load(name)))


@cache
def demo_printer(name: str, version: Literal["2.4", "4.4"]) -> Profile:
    """``"matte-canvas"`` (RGB) or ``"coated-book"`` (CMYK), with tables."""
    return Profile.parse(profiles.build_shipped(name, version))


def random_pixels(channels: int, count: int = 10_000, seed: int = 1):
    """Shape (1, count, channels), uint16, every value equally likely."""
    shape = (1, count, channels)
    return np.random.default_rng(seed).integers(0, 65536, shape, dtype=np.uint16)
