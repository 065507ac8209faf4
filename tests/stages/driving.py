"""Drive a stage as the runner does, with an array for a picture."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotfolder import Band, Encoding, Findings, Job, Original, RasterSpec, Stage
from hotfolder.colour.profile import Profile
from hotfolder.model.destination import Medium, Result
from hotfolder_demo import profiles

SRGB = Profile.parse(profiles.srgb())
WIDE_RGB = Profile.parse(profiles.adobe_rgb_compatible())
GREY = Profile.parse(profiles.grey_gamma22())

Codes = NDArray[np.uint16]


def spec_of(pixels: Codes, profile: Profile | None = SRGB, **more: Any) -> RasterSpec:
    """The spec of an array of shape (rows, width, channels)."""
    encoding = {1: Encoding.GREY, 3: Encoding.RGB, 4: Encoding.CMYK}[pixels.shape[2]]
    if profile is not None:
        encoding = profile.encoding
    given = {"encoding": encoding, "profile": profile, "ppi": 300.0, **more}
    return RasterSpec(pixels.shape[1], pixels.shape[0], **given)


def job_of(
    spec: RasterSpec, surface: str = "lustre", viewing_distance: str = "350 mm", **more: Any
) -> Job:
    """A job for a medium; `more` are fields of `Job` or of its original."""
    original = {
        "name": "mud.tif",
        "bytes": 1,
        "sha256": "0" * 64,
        "format": "TIFF",
        "bits": 16,
        "spec": spec,
    }
    given = {
        "id": "job-1",
        "destination": "wall",
        "medium": Medium(profile="p.icc", surface=surface, viewing_distance=viewing_distance),
        "result": Result(),
        "profile": SRGB,
        "profiles": Path(),
        "folder": Path(),
    }
    for key, value in more.items():
        (given if key in Job.__dataclass_fields__ else original)[key] = value
    return Job(original=Original(**original), **given)


def cut(pixels: Codes, rows: int, alpha: Codes | None = None) -> Iterator[Band]:
    """An array as bands of `rows` rows."""
    for top in range(0, len(pixels), rows):
        part = None if alpha is None else alpha[top : top + rows]
        yield Band(top, pixels[top : top + rows], part)


def run_stage(
    stage: Stage[Any],
    pixels: Codes,
    spec: RasterSpec,
    job: Job | None = None,
    rows: int = 7,
    alpha: Codes | None = None,
) -> tuple[Codes, RasterSpec, Findings, Codes | None]:
    """Open, review, run and close a stage, and let it present; what came out, and its alpha."""
    for array in (pixels, alpha):
        if array is not None:
            array.setflags(write=False)  # a stage may not change what it is given
    result = stage.open(spec, job or job_of(spec))
    stage.review(result)
    made = list(stage.bands(cut(pixels, rows, alpha)))
    top = 0
    for band in made:
        assert (top, np.uint16, True) == (
            band.top,
            band.pixels.dtype,
            band.pixels.flags.c_contiguous,
        )
        top += band.rows
    out = np.concatenate([band.pixels for band in made])
    assert (result.height_px, result.width_px, result.channels) == out.shape
    out_alpha = None
    if result.has_alpha:
        out_alpha = np.concatenate([band.alpha for band in made])
    findings = stage.close()
    stage.present()
    return out, result, findings, out_alpha


def stage_with(stage: type[Stage[Any]], values: Mapping[str, Any]) -> Stage[Any]:
    """A stage with the settings that a destination's file would give it."""
    return stage(stage.Settings.model_validate(dict(values)))
