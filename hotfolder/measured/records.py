"""What is kept of a measured strip: a verdict, as a line of ``verdicts.jsonl``."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Kind = Literal["spectra", "lab", "xyz"]
"""What colours were computed from."""


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Drift(_Kept):
    """One number of a medium over its prints."""

    value: float
    """This print less the first accepted one, signed."""
    ewma: float
    """Moving average in standard deviations, signed."""
    limit: float
    """What the average must not pass."""
    alarm: bool
    since: str | None
    """The file of the first print concerned; None while there is no alarm."""
    new: bool
    """Whether the alarm was raised by this print."""


class DriftSeen(_Kept):
    """One number of a medium, by a photograph: the new print less the first accepted one."""

    value: float
    """Signed, in L*, a* or b*."""
    uncertainty: float
    """95 of 100 times the true change is no further from `value`."""
    seen: bool
    """Whether the change is larger than that."""


class Photographed(_Kept):
    """What a photograph of the first accepted print and a new one came to.

    One line of ``photographs.jsonl``. It is never counted among the verdicts of instruments.
    """

    version: int = 1
    destination: str
    strip: str
    profile_sha256: str
    file: str
    """What it was called when it was dropped."""
    kept: str
    """Where it is kept, below the folder of measurements; "" when it is not."""
    sha256: str
    """Of the file."""
    judged: Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$")]
    """UTC."""
    against: str | None
    """The file by which an instrument measured the first accepted print; None: by no instrument,
    its colours are taken from the profile."""
    drift: dict[str, DriftSeen]
    """By the keys of a verdict's ``drift``."""
    mean_delta_e_00: float
    """Of the new print's patches from the first one's; noise alone raises it."""
    words: tuple[str, ...]
    """What a person should know, as sentences."""


class FromFirst(_Kept):
    """How far a print is from the first accepted one of its chart, ΔE00."""

    mean_delta_e_00: float
    max_delta_e_00: float
    paper_delta_e_00: float


class Verdict(_Kept):
    """What a measurement came to; one line of ``verdicts.jsonl``."""

    version: int = 1
    destination: str
    strip: str
    profile_sha256: str
    file: str
    """What it was called when it was dropped."""
    kept: str
    """Where it is kept, below the folder of measurements."""
    sha256: str
    """Of the file."""
    judged: Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$")]
    """UTC."""
    chart: int
    """Counts charts of this destination from 1; a new profile or batch of paper begins another."""
    condition: str | None
    backing: str | None
    made_from: Kind
    mean_delta_e_00: float
    p95_delta_e_00: float
    max_delta_e_00: float
    worst_patch: str
    paper_delta_e_00: float
    grey_delta_c_mean: float
    grey_delta_c_max: float
    solid_cmy_delta_e_00_max: float | None
    solid_black_delta_e_00: float | None
    within: dict[str, bool]
    """By set of limits."""
    from_first: FromFirst | None
    """None for the first print of a chart."""
    drift: dict[str, Drift]
    words: tuple[str, ...]
    """What a person should know, as sentences."""
    lab: tuple[tuple[float, float, float], ...]
    """As measured, in the order of the strip's patches."""

    @property
    def has_alarm(self) -> bool:
        """Whether some number has drifted."""
        return any(each.alarm for each in self.drift.values())
