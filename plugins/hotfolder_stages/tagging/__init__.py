"""The stage ``tagging``: what the result says about itself is true, and the rest is carried over.

Exif, XMP and IPTC are read as bytes from a stranger. What cannot be read safely is left out, with
a warning in the findings: metadata never cost a picture its delivery.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import ClassVar

from pydantic import field_validator

from hotfolder import (
    CaptionWish,
    ExifDirectories,
    Findings,
    Job,
    Json,
    Metadata,
    Place,
    RasterSpec,
    Stage,
    StageSettings,
    Wish,
    parse_exif,
)
from hotfolder_stages.tagging import exif_tags, iptc, xmp_edit
from hotfolder_stages.tagging.geometry import Geometry, is_turned
from hotfolder_stages.tagging.truth import Edition, Text, Texts, Truth
from hotfolder_stages.tagging.xmp import Xmp, XmpError
from hotfolder_stages.tagging.xmp_edit import put_keywords

__all__ = ["Tagging", "TaggingSettings"]


_WITHOUT_IPTC = {"png", "pdf", "jxl", "avif", "webp"}


class TaggingSettings(StageSettings):
    """The table ``[stage.tagging]``."""

    grants: ClassVar[tuple[type[Wish], ...]] = (CaptionWish,)

    copyright: str | None = None
    """Copyright notice for a picture that has none; with `overwrite`, for every picture."""
    description: str | None = None
    """Description for a picture that has none; with `overwrite`, for every picture."""
    creator: str | None = None
    """Creator's name for a picture that has none; with `overwrite`, for every picture."""
    caption: str | None = None
    """A description that always replaces the picture's own; a ticket gives one for each
    picture."""
    overwrite: bool = False
    """Whether copyright, description and creator replace what the original says."""
    remove_gps: bool = False
    """Whether to remove the coordinates of where the picture was taken. Place names that people
    wrote are kept."""

    @field_validator("copyright", "description", "creator", "caption")
    @classmethod
    def _is_plain(cls, text: str | None) -> str | None:
        if text is not None and (not text.strip() or any(ord(each) < 32 for each in text)):
            raise ValueError("one line of text, or leave it out")
        return text

    def granting(self, wish: Wish) -> Mapping[str, Json]:
        """Write the caption that is asked for."""
        return {"caption": wish.text} if isinstance(wish, CaptionWish) else {}

    @property
    def texts(self) -> Texts:
        """The texts that are set."""
        return {text: said for text in Text if (said := getattr(self, text.value))}


class Tagging(Stage[TaggingSettings]):
    """Correct and complete the metadata of the result."""

    name = "tagging"
    Settings = TaggingSettings
    place = Place.LAST

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Make the metadata of what comes out; no pixel is needed for it."""
        self._job = job
        truth = Truth.of(raster)
        edition = Edition.of(job)
        original = raster.metadata
        directories = self._read_exif(original.exif)
        packet = self._read_xmp(original.xmp)
        sidecar = self._read_xmp(original.sidecar, "The XMP of its sidecar")
        said_beside = sidecar.texts() if sidecar else {}
        if sidecar is not None:
            packet = packet or Xmp()
            packet.take_over(sidecar)
        added = {**said_beside, **self._added(directories, packet, original.iptc)}
        remove_gps = self.settings.remove_gps

        made_exif = exif_tags.edited(directories, truth, edition, added, remove_gps=remove_gps)
        removed = {*original.left_out, *made_exif.removed}
        corrected: tuple[str, ...] = ()
        made_xmp = None
        into_xmp, keywords = dict(added), list[str]()
        formats = {each.format for each in job.result.list_files()}
        if formats & _WITHOUT_IPTC and original.iptc:  # they have no place for its records
            said = iptc.texts(original.iptc)
            there = packet.texts() if packet else {}
            into_xmp = {**{key: said[key] for key in said.keys() - there.keys()}, **added}
            keywords = iptc.keywords(original.iptc)
        if packet is not None or into_xmp or keywords:
            xmp = packet or Xmp()
            put_keywords(xmp, keywords)
            edited = xmp_edit.edited(
                xmp, truth, edition, _geometry(raster, job), into_xmp, remove_gps=remove_gps
            )
            made_xmp, corrected = edited.packet, edited.corrected
            removed |= set(edited.removed)
        made_iptc = None
        if original.iptc:
            edited_iptc = iptc.edited(original.iptc, truth, added)
            made_iptc = edited_iptc.records
            removed |= set(edited_iptc.removed)

        self._findings = {
            "exif": "carried" if directories else "made",
            "xmp": "carried" if packet is not None else "made" if made_xmp else "none",
            "iptc": "carried" if made_iptc else "none",
            "added": {text.value: said for text, said in added.items()},
            "corrected_in_xmp": list(corrected),
            "removed": sorted(removed),
        }
        return replace(raster, metadata=Metadata(made_exif.block, made_xmp, made_iptc))

    def close(self) -> Findings:
        """Say what was carried over, added, corrected, removed and left out."""
        return self._findings

    def _read_exif(self, block: bytes | None) -> ExifDirectories:
        if block is not None:
            try:
                return parse_exif(block)
            except ValueError:
                self._job.warn("exif-unreadable", "Its Exif data cannot be read and were left out.")
        return ExifDirectories()

    def _read_xmp(self, packet: bytes | None, what: str = "Its XMP") -> Xmp | None:
        if packet is not None:
            try:
                return Xmp(packet)
            except XmpError as error:
                self._job.warn("xmp-unreadable", f"{what} {error} and was left out.")
        return None

    def _added(
        self, directories: ExifDirectories, packet: Xmp | None, records: bytes | None
    ) -> Texts:
        """The texts of the settings that are to be written."""
        always = {Text.DESCRIPTION: self.settings.caption} if self.settings.caption else {}
        if self.settings.overwrite:
            return {**self.settings.texts, **always}
        present = set(exif_tags.texts(directories))
        present |= set(packet.texts()) if packet else set()
        present |= set(iptc.texts(records)) if records else set()
        lacking = {text: said for text, said in self.settings.texts.items() if text not in present}
        return {**lacking, **always}


def _geometry(raster: RasterSpec, job: Job) -> Geometry:
    orientation = raster.metadata.orientation
    across, down = job.original.spec.width_px, job.original.spec.height_px
    return Geometry(
        orientation,
        (down, across) if is_turned(orientation) else (across, down),
        raster.original_area,
        (raster.width_px, raster.height_px),
    )
