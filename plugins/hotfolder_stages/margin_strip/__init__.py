"""The stage ``margin-strip``: a control strip beside the picture, to be cut off or folded away.

The strip is the destination's own (`hotfolder strip --control`): chosen patches, named, with a mark
at each corner and a code that says destination, profile, settings and date. It is copied into the
result after the conversion, so its device values are those of the file, to the bit. It lies on the
bleed, on the wrap or on a border; behind a stage that lays the picture onto a sheet, on the paper
that is cut off. It never lies on the picture.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from hotfolder import (
    MM_PER_INCH,
    Band,
    ConversionToCome,
    Findings,
    Hold,
    InkLimit,
    Job,
    LengthMm,
    Medium,
    PatchBlock,
    Place,
    RasterSpec,
    Role,
    SizeToCome,
    Stage,
    StageSettings,
    StripToLay,
    Surface,
)
from hotfolder.colour import Codes

__all__ = ["MarginStrip", "MarginStripSettings"]

Side = Literal["bottom", "top", "left", "right"]
_SIDES: tuple[Side, ...] = ("bottom", "top", "left", "right")
_SIDES_OF_SHEET: tuple[Side, ...] = ("top", "left", "right", "bottom")
"""On a sheet words stand below the picture."""
_NAMES = {"jpeg": "a JPEG", "jxl": "a lossy JPEG XL", "avif": "an AVIF", "webp": "a lossy WebP"}
_TURNS = {"bottom": 0, "top": 0, "left": 1, "right": 1}


class MarginStripSettings(StageSettings):
    """The table ``[stage.margin-strip]``."""

    judging: ClassVar[frozenset[str]] = frozenset({"no_room"})

    every: Literal["print", "first of a day"] = "first of a day"
    """Which prints carry a strip: each, or the first of the destination on a day. If that one is
    not delivered, the next carries it."""
    on: Literal["bleed or wrap", "border"] = "bleed or wrap"
    """Where it lies: on what will be cut off or folded away, behind a sheet's trim line too; or on
    the border that sizing puts around the picture, where it stays in sight until it is cut off."""
    side: Literal["any", "bottom", "top", "left", "right"] = "any"
    """On which side of the picture; "any" takes the first that has room: bottom, top, left,
    right; on a sheet with margins, where words stand below, the bottom last."""
    patch: Annotated[LengthMm, Field(ge=4, le=30)] = 8.0
    """Side of a patch; larger than the opening of the instrument."""
    clearance: Annotated[LengthMm, Field(ge=0, le=50)] = 1.0
    """How far it stays away from the picture."""
    no_room: Literal["warn", "hold"] = "warn"
    """What to do when it has no room: deliver without it and warn, or hold the picture."""

    def doubts(self, medium: Medium) -> dict[str, str]:
        """Doubt a strip on a screen."""
        if medium.surface is Surface.SCREEN:
            return {"every": "a screen has no control strip to measure"}
        return {}


@dataclass(frozen=True)
class _Laid:
    """A block and where it lies in the result."""

    side: Side
    left_px: int
    top_px: int
    pixels: Codes


@dataclass(frozen=True)
class _Room:
    """A part of the result where there is no picture."""

    side: Side
    left_px: int
    top_px: int
    width_px: int
    height_px: int

    @property
    def along_px(self) -> tuple[int, int]:
        """Its length along the picture, and its depth."""
        size = (self.width_px, self.height_px)
        return size[::-1] if _TURNS[self.side] else size


class MarginStrip(Stage[MarginStripSettings]):
    """Lay a control strip onto bleed, wrap or border."""

    name = "margin-strip"
    Settings = MarginStripSettings
    place = Place.SHEET
    role = Role.BESIDE
    comes_after = (ConversionToCome, SizeToCome)

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Find out whether this print carries a strip, and where it lies."""
        self._job, self._raster = job, raster
        self._laid: _Laid | None = None
        self._left_out = ""
        self._problem = ""
        self._strip = job.standing.strip if job.standing else None
        if self._strip is None:
            self._left_out = "no strip was made for this destination"
        elif self.settings.every == "first of a day" and self._strip.carried_by:
            self._left_out = f"job {self._strip.carried_by} carries that of {self._strip.day}"
        else:
            self._problem = self._find_problem(self._strip)
            self._left_out = self._problem
            if not self._problem:
                self._laid = self._lay(self._strip)
                self._problem = self._left_out = "" if self._laid else self._say_room(self._strip)
        return raster

    def review(self, result: RasterSpec) -> None:
        """Say so when a strip was wanted and has no place.

        Raises
        ------
        Hold
            ``no-strip``, with ``no_room = "hold"``.
        """
        if not self._problem:
            return
        said = f"It carries no control strip: {self._problem}."
        if self.settings.no_room == "hold":
            raise Hold("no-strip", f"{said} Or release the picture without it.")
        self._job.warn("no-strip", said)

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Copy the strip into the rows that it lies in; all else passes as it is."""
        laid = self._laid
        for band in bands:
            if laid is None:
                yield band
                continue
            first = max(band.top, laid.top_px)
            last = min(band.top + band.rows, laid.top_px + len(laid.pixels))
            if first >= last:
                yield band
                continue
            rows = slice(first - band.top, last - band.top)
            columns = slice(laid.left_px, laid.left_px + laid.pixels.shape[1])
            pixels = band.pixels.copy()
            pixels[rows, columns] = laid.pixels[first - laid.top_px : last - laid.top_px]
            alpha = band.alpha
            if alpha is not None:
                alpha = alpha.copy()
                alpha[rows, columns] = 65535
            yield Band(band.top, pixels, alpha)

    def close(self) -> Findings:
        """Say which strip the print carries, and where; or why none."""
        strip, laid = self._strip, self._laid
        if strip is None or laid is None:
            known = strip.id if strip else None
            return {"laid_on": None, "strip": known, "left_out": self._left_out}
        height, width = laid.pixels.shape[:2]
        return {
            "laid_on": strip.day,
            "strip": strip.id,
            "left_out": "",
            "side": laid.side,
            "at_px": [laid.left_px, laid.top_px, width, height],
            "patches": len(strip.device),
            "code": strip.says,
        }

    def _find_problem(self, strip: StripToLay) -> str:
        """Why no strip can be laid onto this result, however much room it has."""
        raster, job = self._raster, self._job
        is_other = raster.profile is None or raster.profile.sha256 != job.profile.sha256
        if is_other or len(strip.device[0]) != raster.channels:
            return (
                "the result is not in the medium's own profile; put profile-conversion before "
                "this stage"
            )
        if job.result.is_lossy:
            return (
                f"{_NAMES[job.result.format]} would change its device values; set result.format to "
                "tiff, png or pdf for this destination"
            )
        if not raster.ppi:
            return "the result has no resolution; set sizing.ppi"
        limit = job.told(InkLimit)
        most = max(sum(each) for each in strip.device) * 100
        if limit and raster.channels == 4 and most > limit.percent + 0.5:
            return (
                f"its darkest patch lays {most:.0f} % ink, and this destination allows "
                f"{limit.percent:g} %; print it apart, by "
                f"`{job.command('strip', '--control', '--for', job.destination)}`"
            )
        return ""

    def _lay(self, strip: StripToLay) -> _Laid | None:
        raster = self._raster
        for room in self._list_rooms():
            block = PatchBlock.fit(strip, room.along_px, self.settings.patch, raster.ppi)
            if block is None:
                continue
            pixels = np.ascontiguousarray(np.rot90(block.draw(raster.encoding), _TURNS[room.side]))
            height, width = pixels.shape[:2]
            # at the outer edge, in the middle of the side: away from the picture and from corners
            left = room.left_px + (room.width_px - width) // 2
            top = room.top_px + (room.height_px - height) // 2
            if room.side == "bottom":
                top = room.top_px + room.height_px - height
            elif room.side == "top":
                top = room.top_px
            elif room.side == "right":
                left = room.left_px + room.width_px - width
            else:
                left = room.left_px
            return _Laid(room.side, left, top, pixels)
        return None

    def _list_rooms(self) -> list[_Room]:
        """List where there is no picture, on the sides that the settings allow."""
        outer, inner = self._find_frames()
        left, top, right, bottom = outer
        away = int(np.ceil(self.settings.clearance / MM_PER_INCH * self._raster.ppi))
        # along the picture alone: the corners of a wrap are folded twice
        rooms = {
            "bottom": (inner[0], inner[3] + away, inner[2], bottom),
            "top": (inner[0], top, inner[2], inner[1] - away),
            "left": (left, inner[1], inner[0] - away, inner[3]),
            "right": (inner[2] + away, inner[1], right, inner[3]),
        }
        sides = _SIDES if self._raster.trim_at_px is None else _SIDES_OF_SHEET
        wanted = sides if self.settings.side == "any" else (self.settings.side,)
        found = []
        for side in wanted:
            x0, y0, x1, y1 = rooms[side]
            found.append(_Room(side, x0, y0, max(0, x1 - x0), max(0, y1 - y0)))
        return found

    def _find_frames(self) -> tuple[tuple[int, int, int, int], tuple[int, int, int, int]]:
        """The outer and the inner edge of where a strip may lie: left, top, right, bottom."""
        raster = self._raster
        is_sheet = raster.trim_at_px is not None
        left, top, width, height = raster.trim_px if is_sheet else raster.face_px
        face = (left, top, left + width, top + height)
        if self.settings.on == "bleed or wrap":
            return (0, 0, raster.width_px, raster.height_px), face
        if is_sheet:
            return face, face  # its border stays with the picture
        area = raster.original_area
        picture = (
            max(face[0], int(np.floor(area.left_px))),
            max(face[1], int(np.floor(area.top_px))),
            min(face[2], int(np.ceil(area.left_px + area.width_px))),
            min(face[3], int(np.ceil(area.top_px + area.height_px))),
        )
        if picture[0] >= picture[2] or picture[1] >= picture[3]:
            return face, face  # where the picture lies is not known: nowhere beside it
        return face, picture

    def _say_room(self, strip: StripToLay) -> str:
        """Say how much room there is, how much a strip takes, and which setting gives it."""
        ppi, patch = self._raster.ppi, self.settings.patch
        rooms = self._list_rooms()
        deepest = max(each.along_px[1] for each in rooms) / ppi * MM_PER_INCH
        needed = [
            depth
            for each in rooms
            if (depth := PatchBlock.find_least_depth_mm(strip, each.along_px[0], patch, ppi))
        ]
        on = self.settings.on
        if not needed:
            longest = max(each.along_px[0] for each in rooms) / ppi * MM_PER_INCH
            return f"no side of {longest:.0f} mm is long enough for patches of {patch:g} mm"
        least = min(needed)
        what = "bleed or a wrap" if on == "bleed or wrap" else "border"
        if self._raster.trim_at_px is not None:
            what = "trim margin"
        asked = int(np.ceil(least + self.settings.clearance))
        return (
            f"patches of {patch:g} mm need {least:.1f} mm beside the picture, and there are "
            f"{deepest:.1f}; give it a {what} of {asked} mm, or smaller patches"
        )
