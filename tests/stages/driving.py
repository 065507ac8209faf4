"""What stage tests have beside `hotfolder.testing`: profiles of the demo, and ways to them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from hotfolder import Job, RasterSpec
from hotfolder.colour import Codes, Floats, Profile
from hotfolder.testing import make_job, make_spec
from hotfolder_demo import profiles

SRGB = Profile.parse(profiles.srgb())
WIDE_RGB = Profile.parse(profiles.adobe_rgb_compatible())
GREY = Profile.parse(profiles.grey_gamma22())


def encode_lab(lab: Floats) -> Codes:
    """Turn L*, a*, b* into Lab pixels, clipped: ICC.1:2022, 6.3.4.2, table 12."""
    scaled = np.add(lab, [0, 128, 128]) * [65535 / 100, 257, 257]
    return np.rint(np.clip(scaled, 0, 65535)).astype(np.uint16)


def spec_of(pixels: Codes, profile: Profile | None = SRGB, **more: Any) -> RasterSpec:
    """The spec of an array in the demo's sRGB, or without a profile; `more` are fields of it."""
    return replace(make_spec(pixels, profile, has_profile=False), **more)


def job_of(spec: RasterSpec, *medium: str, **more: Any) -> Job:
    """A job whose medium has the demo's sRGB unless it is given another profile."""
    return make_job(spec, *medium, **{"profile": SRGB, **more})
