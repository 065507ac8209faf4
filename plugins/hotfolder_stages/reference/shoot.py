"""What a picture says of its making, and which other picture's reference holds for it.

A reference holds for another picture when camera, profile and white balance are the same and the
two were taken within a time of each other: then the light may be the same. Nobody can know it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from pydantic import BaseModel, ConfigDict, JsonValue, ValidationError

from hotfolder import ExifDirectories, ExifValue, Json, Neighbour, RasterSpec, parse_exif

_MAKE, _MODEL = 271, 272
_EXPOSURE_TIME, _F_NUMBER, _SENSITIVITY = 0x829A, 0x829D, 0x8827
_TAKEN = 0x9003
_LIGHT_SOURCE, _WHITE_BALANCE = 0x9208, 0xA403
_SERIAL = 0xA431
"""CIPA DC-008-2019 (Exif 2.32), tables 4, 7 and 8."""

_TAKEN_FORMAT = "%Y:%m:%d %H:%M:%S"


class Shot(BaseModel):
    """How a picture was taken, as far as its file says."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)

    camera: str = ""
    """Make, model and serial number; "" when it is not said."""
    taken: str = ""
    """Local time of the camera's clock, ISO 8601; "" when it is not said."""
    white_balance: str = ""
    """The tags WhiteBalance and LightSource; "" when neither is there."""
    exposure_stops: float | None = None
    """Logarithm to base 2 of time × sensitivity / f-number²; None when it is not said."""
    profile_sha256: str = ""
    """Of the picture's profile."""

    @property
    def moment(self) -> datetime | None:
        """When it was taken."""
        return datetime.fromisoformat(self.taken) if self.taken else None

    @property
    def at_s(self) -> float | None:
        """When it was taken: seconds since 1970, as if its clock showed UTC."""
        return self.moment.replace(tzinfo=UTC).timestamp() if self.moment else None

    @property
    def alike(self) -> str | None:
        """What a reference must have in common with it; None when the file does not say."""
        if not self.camera or not self.profile_sha256:
            return None
        return f"{self.camera}, {self.white_balance}, {self.profile_sha256}"


class Shared(BaseModel):
    """What the stage says of a picture for others of the shoot: `findings["shoot"]`."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)

    shot: Shot
    """How it was taken."""
    chart: dict[str, JsonValue] | None = None
    """What was measured of its reference, a chart or a card; None without one to be used."""
    served_by: str | None = None
    """The job whose reference was carried over to it; None where it went without."""


@dataclass(frozen=True)
class Carried:
    """A reference in another picture that holds for this one."""

    neighbour: Neighbour
    chart: Mapping[str, Json]
    apart_s: float
    """Between the two."""
    exposure_differs_stops: float | None
    """By how much more this one was exposed; None when one of them does not say."""


def read_shot(raster: RasterSpec) -> Shot:
    """Read how a picture was taken."""
    directories = ExifDirectories()
    if raster.metadata.exif:
        try:
            directories = parse_exif(raster.metadata.exif)
        except ValueError:
            directories = ExifDirectories()  # nobody can read it: it says nothing
    main, exif = directories.main, directories.exif
    names = [_text(main.get(_MAKE)), _text(main.get(_MODEL)), _text(exif.get(_SERIAL))]
    balance = [_integer(exif.get(tag)) for tag in (_WHITE_BALANCE, _LIGHT_SOURCE)]
    said = any(each is not None for each in balance)
    return Shot(
        camera=" ".join(filter(None, names)) if names[1] else "",
        taken=_time(_text(exif.get(_TAKEN))),
        white_balance=f"{balance[0]}/{balance[1]}" if said else "",
        exposure_stops=_exposure(exif),
        profile_sha256=raster.profile.sha256 if raster.profile else "",
    )


def find_carried(
    shot: Shot, neighbours: Sequence[Neighbour], within_s: float
) -> tuple[Carried | None, str]:
    """Choose the nearest reference in time that holds for a picture.

    Returns
    -------
    It, or None; and why there is none, as a sentence.
    """
    found, reasons = _find_holding(shot, neighbours, within_s)
    if found:
        return found[0], ""
    if reasons:
        return None, f"The reference of this shoot does not hold for it: {'; '.join(reasons[:3])}."
    return None, "There is no reference in this shoot so far."


def list_holding(shot: Shot, neighbours: Sequence[Neighbour], within_s: float) -> list[Neighbour]:
    """Return the pictures whose reference holds for one, the nearest in time first."""
    return [each.neighbour for each in _find_holding(shot, neighbours, within_s)[0]]


def _find_holding(
    shot: Shot, neighbours: Sequence[Neighbour], within_s: float
) -> tuple[list[Carried], list[str]]:
    found: list[Carried] = []
    reasons: list[str] = []
    for neighbour in neighbours:
        shared = _read(neighbour)
        if shared is None or shared.chart is None:
            continue
        reason, apart_s = _why_not(shot, shared.shot, within_s)
        if reason:
            reasons.append(f"{neighbour.name}: {reason}")
            continue
        stops = None
        if shot.exposure_stops is not None and shared.shot.exposure_stops is not None:
            stops = round(shot.exposure_stops - shared.shot.exposure_stops, 3)
        found.append(Carried(neighbour, shared.chart, apart_s, stops))
    return sorted(found, key=lambda each: (each.apart_s, each.neighbour.name)), reasons


def _read(neighbour: Neighbour) -> Shared | None:
    try:
        return Shared.model_validate(neighbour.said)
    except ValidationError:
        return None


def _why_not(shot: Shot, reference: Shot, within_s: float) -> tuple[str, float]:
    """Say why a reference does not hold, "" when it does; and how far apart they were taken."""
    for mine, its, what in (
        (shot.camera, reference.camera, "camera"),
        (shot.profile_sha256, reference.profile_sha256, "profile"),
    ):
        if not mine or not its:
            return f"one of the two does not say its {what}", 0.0
        if mine != its:
            return f"another {what}", 0.0
    if shot.white_balance != reference.white_balance:
        return "another white balance", 0.0
    mine_at, its_at = shot.moment, reference.moment
    if mine_at is None or its_at is None:
        return "one of the two does not say when it was taken", 0.0
    apart_s = abs((mine_at - its_at).total_seconds())
    if apart_s > within_s:
        return f"taken {apart_s / 60:.0f} minutes apart", apart_s
    return "", apart_s


def _text(value: ExifValue | None) -> str:
    if value is None or value.type not in {2, 129}:
        return ""
    return value.data.split(b"\0")[0].decode("utf-8", "replace").strip()


def _integer(value: ExifValue | None) -> int | None:
    return value.integers[0] if value is not None and value.integers else None


def _rational(value: ExifValue | None) -> float:
    return value.rationals[0] if value is not None and value.rationals else 0.0


def _time(text: str) -> str:
    try:
        return datetime.strptime(text, _TAKEN_FORMAT).isoformat()  # noqa: DTZ007 - a camera's clock
    except ValueError:
        return ""


def _exposure(exif: Mapping[int, ExifValue]) -> float | None:
    time, aperture = _rational(exif.get(_EXPOSURE_TIME)), _rational(exif.get(_F_NUMBER))
    sensitivity = _integer(exif.get(_SENSITIVITY)) or 0
    if not (time > 0 and aperture > 0 and sensitivity > 0):
        return None
    return round(math.log2(time * sensitivity / aperture**2), 3)
