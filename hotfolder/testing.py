"""Drive a stage as the runner does, with an array for a picture: for the tests of stages.

Examples
--------
>>> import numpy as np
>>> from hotfolder import Stage, StageSettings
>>> class Nothing(Stage[StageSettings]):
...     name = "nothing"
>>> pixels = np.full((4, 6, 3), 1000, np.uint16)
>>> done = run_stage(make_stage(Nothing, {}), pixels, make_spec(pixels))
>>> bool((done.pixels == pixels).all())
True
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

from hotfolder.colour import (
    SRGB_CURVE,
    SRGB_PRIMARIES,
    Codes,
    Profile,
    rgb_profile,
)
from hotfolder.model.destination import Medium, Result, Surface
from hotfolder.model.encoding import Encoding
from hotfolder.model.facts import Findings, Json
from hotfolder.model.standing import MediumStanding
from hotfolder.raster.picture import Band, Metadata, RasterSpec
from hotfolder.stages.contract import AnyStage
from hotfolder.stages.job import Job, Original
from hotfolder.stages.messages import Message

__all__ = ["Done", "cut", "make_job", "make_spec", "make_stage", "run_stage", "srgb"]

_ENCODINGS = {1: Encoding.GREY, 3: Encoding.RGB, 4: Encoding.CMYK}


class Done(NamedTuple):
    """What came out of a stage.

    See Also
    --------
    run_stage
    """

    pixels: Codes
    """Shape (rows, width, channels), dtype uint16."""

    spec: RasterSpec
    """What `Stage.open` promised."""

    findings: Findings
    """What `Stage.close` returned."""

    alpha: Codes | None
    """Shape (rows, width), dtype uint16; None when the result has no alpha."""


@cache
def srgb() -> Profile:
    """Return an sRGB profile.

    Returns
    -------
    The profile that `make_spec` and `make_job` take when they are given none.
    """
    return Profile.parse(rgb_profile("sRGB", SRGB_PRIMARIES, SRGB_CURVE))


def make_spec(
    pixels: Codes,
    profile: Profile | None = None,
    *,
    ppi: float = 300.0,
    has_alpha: bool = False,
    has_profile: bool = True,
    metadata: Metadata | None = None,
) -> RasterSpec:
    """Describe an array as a picture.

    Parameters
    ----------
    pixels
        Shape (rows, width, channels): one channel is grey, three are RGB, four CMYK, unless the
        profile says otherwise.
    profile
        What gives the numbers their meaning; sRGB for RGB when it is None, else none.
    ppi
        Pixels per inch; 0 when nobody knows.
    has_alpha
        Whether there is an alpha plane beside it.
    has_profile
        False for a picture that carries no profile.
    metadata
        What the file says about its picture.

    Returns
    -------
    The raster that `Stage.open` is told of.
    """
    encoding = profile.encoding if profile else _ENCODINGS[pixels.shape[2]]
    if profile is None and has_profile and encoding is Encoding.RGB:
        profile = srgb()
    return RasterSpec(
        pixels.shape[1],
        pixels.shape[0],
        encoding,
        profile,
        ppi=ppi,
        has_alpha=has_alpha,
        metadata=metadata or Metadata(),
    )


def make_job(
    spec: RasterSpec,
    surface: str = "lustre",
    viewing_distance: str = "350 mm",
    *,
    profile: Profile | None = None,
    result: Result | None = None,
    folder: Path | None = None,
    profiles: Path | None = None,
    root: Path | None = None,
    beside: Iterable[AnyStage] = (),
    told: Iterable[Message] = (),
    name: str = "mud.tif",
    format: str = "TIFF",  # noqa: A002 - the name that the original's field has
    bits: int = 16,
    pages: int = 1,
    notes: tuple[str, ...] = (),
    pixel_aspect: float = 1.0,
    cut_share: float = 0.0,
    cut_above: float = 0.0,
    destination: str = "wall",
    is_trial: bool = False,
    standing: MediumStanding | None = None,
    cost_per_square_metre: str | None = None,
) -> Job:
    """Make a job for a stage under test.

    Parameters
    ----------
    spec
        The picture in the original.
    surface, viewing_distance, cost_per_square_metre
        Of the medium, as a destination's file says them: ``"canvas"``, ``"2 m"``, ``"62 GBP"``.
    profile
        Of the medium; sRGB when it is None.
    result
        The file that will come out; a 16-bit TIFF when it is None.
    folder
        Where the stage may write; the current folder when it is None.
    profiles
        The folder that profile names in settings are relative to.
    root
        Where the root is, for commands.
    beside
        Other stages of the job; what they announce is told.
    told
        What other stages of the job have told besides.
    name, format, bits, pages, notes, pixel_aspect, cut_share, cut_above
        Of the original.
    destination
        Its name.
    is_trial
        Whether nothing would be delivered.
    standing
        What the medium's control strips say; None when nobody has looked.

    Returns
    -------
    The job, as the runner would hand it to a stage.
    """
    raw = {"profile": "p.icc", "surface": Surface(surface), "viewing_distance": viewing_distance}
    medium = Medium.model_validate({**raw, "cost_per_square_metre": cost_per_square_metre})
    job = Job(
        id="job-1",
        destination=destination,
        medium=medium,
        result=result or Result(),
        original=Original(
            name=name,
            bytes=1,
            sha256="0" * 64,
            format=format,
            bits=bits,
            spec=spec,
            pages=pages,
            notes=notes,
            pixel_aspect=pixel_aspect,
            cut_share=cut_share,
            cut_above=cut_above,
        ),
        profile=profile or srgb(),
        profiles=profiles or Path(),
        root=root,
        folder=folder or Path(),
        is_trial=is_trial,
        standing=standing,
    )
    for stage in beside:
        stage.announce(job.given_to(type(stage)))
    for message in told:
        job.tell(message)
    return job


def make_stage(stage: type[AnyStage], values: Mapping[str, Json]) -> AnyStage:
    """Make a stage with the settings that a destination's file would give it.

    Parameters
    ----------
    stage
        Its class.
    values
        The table ``[stage.NAME]``, as TOML gives it.

    Returns
    -------
    The stage, not opened yet.

    Raises
    ------
    pydantic.ValidationError
        When the settings are not right.
    """
    return stage(stage.Settings.model_validate(dict(values)))


def cut(pixels: Codes, rows: int, alpha: Codes | None = None) -> Iterator[Band]:
    """Cut an array into bands.

    Parameters
    ----------
    pixels
        Shape (rows, width, channels), dtype uint16.
    rows
        Of a band; the last may have fewer.
    alpha
        Shape (rows, width), dtype uint16.

    Yields
    ------
    Band
        Top to bottom.
    """
    for top in range(0, len(pixels), rows):
        part = None if alpha is None else alpha[top : top + rows]
        yield Band(top, pixels[top : top + rows], part)


def run_stage(
    stage: AnyStage,
    pixels: Codes,
    spec: RasterSpec,
    job: Job | None = None,
    rows: int = 7,
    alpha: Codes | None = None,
) -> Done:
    """Call everything of a stage that the runner calls, and check that it keeps its promises.

    Parameters
    ----------
    stage
        The stage; see `make_stage`.
    pixels
        Shape (rows, width, channels), dtype uint16. Made read-only: a stage may not change it.
    spec
        Of the picture that comes in; see `make_spec`.
    job
        The job; see `make_job`. What the stage tells and attaches can be read from it afterwards.
    rows
        Height of the bands that come in. Run a stage with several: the result may not depend on it.
    alpha
        Shape (rows, width), dtype uint16.

    Returns
    -------
    What came out.

    Raises
    ------
    Hold, Refuse
        What the stage raises.
    AssertionError
        When the stage breaks its contract.
    """
    for array in (pixels, alpha):
        if array is not None:
            array.setflags(write=False)
    given = (job or make_job(spec)).given_to(type(stage))
    stage.announce(given)
    result = stage.open(spec, given)
    stage.review(result)
    made = list(stage.bands(cut(pixels, rows, alpha)))
    top = 0
    for band in made:
        assert top == band.top, f"a band begins at row {band.top}; row {top} was to come"
        assert band.pixels.dtype == np.uint16, f"pixels are {band.pixels.dtype}, not uint16"
        assert band.pixels.flags.c_contiguous, "pixels are not C-contiguous"
        top += band.rows
    out = np.concatenate([band.pixels for band in made])
    promised = (result.height_px, result.width_px, result.channels)
    assert promised == out.shape, f"open promised the shape {promised}; {out.shape} came"
    alphas = [band.alpha for band in made if band.alpha is not None]
    assert len(alphas) == (len(made) if result.has_alpha else 0), "alpha is not as open promised"
    findings = stage.close()
    stage.present()
    return Done(out, result, findings, np.concatenate(alphas) if alphas else None)
