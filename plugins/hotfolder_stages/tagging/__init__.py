"""The stage ``tagging``: what the result says about itself is true, and the rest is carried over.

Exif, XMP and IPTC are read as bytes from a stranger. What cannot be read safely is left out, with
a warning in the findings: metadata never cost a picture its delivery.
"""

from __future__ import annotations

from dataclasses import replace

from pydantic import field_validator

from hotfolder import (
    ExifDirectories,
    Findings,
    Job,
    Metadata,
    Place,
    RasterSpec,
    Stage,
    StageSettings,
    parse_exif,
)
from hotfolder_stages.tagging import exif_tags, iptc
from hotfolder_stages.tagging.truth import Text, Texts, Truth
from hotfolder_stages.tagging.xmp import Xmp, XmpError

__all__ = ["Tagging", "TaggingSettings"]


class TaggingSettings(StageSettings):
    """The table ``[stage.tagging]``.

    copyright, description, creator: written where the original has none, or with `overwrite`
    in place of what it has. caption: a description that is written in any case, as a ticket gives
    one for each picture. remove_gps: whether to take out where the picture was made.
    """

    copyright: str | None = None
    description: str | None = None
    creator: str | None = None
    caption: str | None = None
    overwrite: bool = False
    remove_gps: bool = False

    @field_validator("copyright", "description", "creator", "caption")
    @classmethod
    def _is_plain(cls, text: str | None) -> str | None:
        if text is not None and (not text.strip() or any(ord(each) < 32 for each in text)):
            raise ValueError("one line of text, or leave it out")
        return text

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
        self._warnings: list[str] = []
        self._truth = Truth.of(raster)
        original = raster.metadata
        directories = self._read_exif(original.exif)
        packet = self._read_xmp(original.xmp)
        added = self._added(directories, packet, original.iptc)

        made_exif = exif_tags.edited(
            directories, self._truth, added, remove_gps=self.settings.remove_gps
        )
        removed = set(made_exif.removed)
        corrected: tuple[str, ...] = ()
        made_xmp = None
        if packet is not None or added:
            edited = (packet or Xmp()).edited(
                self._truth, added, remove_gps=self.settings.remove_gps
            )
            made_xmp, corrected = edited.packet, edited.corrected
            removed |= set(edited.removed)
        # A text that was replaced must not stand in IPTC as it was.
        made_iptc = (original.iptc and iptc.without(original.iptc, added.keys())) or None

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
        return {**self._findings, "warnings": list(self._warnings)}

    def _read_exif(self, block: bytes | None) -> ExifDirectories:
        if block is not None:
            try:
                return parse_exif(block)
            except ValueError:
                self._warnings.append("Its Exif data cannot be read and were left out.")
        return ExifDirectories()

    def _read_xmp(self, packet: bytes | None) -> Xmp | None:
        if packet is not None:
            try:
                return Xmp(packet)
            except XmpError as error:
                self._warnings.append(f"Its XMP {error} and was left out.")
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
