"""Reading an original: what it is, by its content, and its pixels in bands.

The way in: the file is opened (`original_file`), its format recognised by its first bytes, its
header read by that format's reader (`formats` lists them), its profile parsed; then bands flow,
upright (`orientation`), in the one representation of `model`.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Self

from hotfolder.colour.profile import Profile, ProfileError
from hotfolder.errors import Hold, Refuse
from hotfolder.model.destination import Reading
from hotfolder.raster import packets
from hotfolder.raster.formats import find_format
from hotfolder.raster.light import standard_range
from hotfolder.raster.orientation import is_turned, upright_band, upright_bands, upright_size
from hotfolder.raster.original_file import OriginalFile
from hotfolder.raster.picture import Area, Band, RasterSpec, rows_per_band
from hotfolder.raster.source import Format, Header, ReadLimits, Request, Rows, RowSource

__all__ = ["OpenedOriginal", "ReadLimits", "open_original"]

_DEFAULT_LIMITS = ReadLimits()
_AS_USUAL = Reading()
_UNREADABLE_SIDECAR = (
    "The XMP sidecar that came with it is empty, damaged or too long, and was left out of the "
    "result; it is kept beside the original."
)


class _OneAtATime:
    """A source whose rows several threads may ask for."""

    def __init__(self, source: RowSource) -> None:
        self.header = source.header
        self.turn = threading.RLock()
        self._source = source

    def rows(self, start: int, stop: int) -> Rows:
        """See `RowSource`."""
        with self.turn:
            return self._source.rows(start, stop)

    def close(self) -> None:
        """See `RowSource`."""
        self._source.close()


class OpenedOriginal:
    """A picture ready to flow.

    format: as `source.Format`; bits: per channel in the file; spec: the picture,
    upright; pages: how many pictures the file holds; notes: what had to be decided, in plain
    sentences; harmless: those that are no warnings; pixel_aspect: width of a pixel, upright,
    over its height; cut_share, cut_above: see `Header`; gives_any_rows: whether `pieces` works,
    as it does unless the picture lies on its side.
    """

    def __init__(
        self, source: RowSource, file: OriginalFile, limits: ReadLimits, name: str, scratch: Path
    ) -> None:
        self._source = _OneAtATime(source)
        self._file = file
        self._name = name
        self._scratch = scratch
        header = source.header
        self.format: Format = header.format
        self.bits = header.bits
        self.pages = header.pages
        self.notes = header.notes
        self.harmless = header.harmless
        turned = is_turned(header.orientation)
        self.pixel_aspect = 1 / header.pixel_aspect if turned else header.pixel_aspect
        self.cut_share = header.cut_share
        self.cut_above = header.cut_above
        self.spec = _spec(header, limits)
        self.gives_any_rows = not turned

    def bands(self, rows: int | None = None) -> Iterator[Band]:
        """The picture from top to bottom in bands of `rows` rows, or of a size that suits.

        The pixels do not depend on `rows`.

        Raises
        ------
        Refuse
            When the pixels are damaged.
        """
        height = rows or rows_per_band(self.spec.width_px)
        with _named(self._name):
            yield from upright_bands(self._source, height, self._scratch)

    def pieces(self, rows: Sequence[range]) -> list[Band]:
        """Return some rows of the picture, in any order and as often as is wanted.

        Parameters
        ----------
        rows
            Each becomes one band. Near ones are asked for together: what is compressed is then
            decoded once for them, though `bands` goes on meanwhile in another thread.

        Raises
        ------
        Refuse
            When the pixels are damaged.
        """
        with _named(self._name), self._source.turn:
            return [upright_band(self._source, each.start, each.stop) for each in rows]

    def add_sidecar(self, packet: bytes | None) -> None:
        """Put what a sidecar says beside what the picture says; None: it cannot be read."""
        if packet is None:
            self.notes = (*self.notes, _UNREADABLE_SIDECAR)
        else:
            metadata = replace(self.spec.metadata, sidecar=packet)
            self.spec = replace(self.spec, metadata=metadata)

    def close(self) -> None:
        """Close the file and give back memory and threads."""
        self._source.close()
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def open_original(
    path: Path,
    *,
    name: str,
    scratch: Path,
    limits: ReadLimits = _DEFAULT_LIMITS,
    reading: Reading = _AS_USUAL,
    sidecar: Path | None = None,
) -> OpenedOriginal:
    """Open a picture and read what it says about itself; close it, or use it in ``with``.

    Parameters
    ----------
    path
        The file; its name and suffix mean nothing.
    name
        What to call it in messages.
    scratch
        A folder for temporary files, needed by pictures that lie on their side and by some
        formats.
    limits
        What the file may ask for.
    reading
        What a person has chosen where the file leaves a choice.
    sidecar
        A file with an XMP packet that came with it.

    Raises
    ------
    Refuse
        ``not-a-file``, ``empty-file``, ``not-a-picture``, ``unsupported``, ``too-large`` or
        ``damaged``, with a sentence that says what to do.
    Hold
        ``high-dynamic-range`` or ``narrow-range``: a picture coded for video. ``no-such-page``.
    OSError
        When the file cannot be read from the disk.
    """
    with _named(name), contextlib.ExitStack() as undo:
        file = OriginalFile(path)
        undo.callback(file.close)
        source = find_format(file).open(file, Request(limits, reading, scratch))
        undo.callback(source.close)
        source = standard_range(source, reading)
        opened = OpenedOriginal(source, file, limits, name, scratch)
        if sidecar is not None:
            opened.add_sidecar(_read_sidecar(sidecar, limits))
        undo.pop_all()
        return opened


@contextlib.contextmanager
def _named(name: str) -> Iterator[None]:
    """Put the file's name in front of what is said about it."""
    try:
        yield
    except (Hold, Refuse) as verdict:
        raise verdict.about(name) from verdict


def _read_sidecar(path: Path, limits: ReadLimits) -> bytes | None:
    """The packet in a sidecar; None when there is none that can be used."""
    try:
        file = OriginalFile(path)
    except Refuse:
        return None
    try:
        return packets.usable_xmp(file.read(0, limits.max_xmp_bytes + 1), limits, [])
    finally:
        file.close()


def _spec(header: Header, limits: ReadLimits) -> RasterSpec:
    width_px, height_px = upright_size(header.width_px, header.height_px, header.orientation)
    profile, problem = _profile(header, limits)
    assumed = False
    if profile is None and not problem and header.icc_implied is not None:
        profile, assumed = Profile.parse(header.icc_implied), True
    return RasterSpec(
        width_px=width_px,
        height_px=height_px,
        encoding=header.encoding,
        profile=profile,
        profile_problem=problem,
        profile_assumed=assumed,
        ppi=header.ppi,
        # said in full, so that a stage that adds rows or columns need not know of it
        original_at=Area(0, 0, width_px, height_px),
        has_alpha=header.has_alpha,
        metadata=header.metadata,
    )


def _profile(header: Header, limits: ReadLimits) -> tuple[Profile | None, str]:
    """The embedded profile, if it can be used for this picture, or why it cannot."""
    if header.icc is None:
        return None, header.icc_problem
    if len(header.icc) > limits.max_profile_bytes:
        return None, "The embedded profile is too long."
    try:
        profile = Profile.parse(header.icc)
    except ProfileError as error:
        return None, f"The embedded profile {error}."
    if profile.encoding is not header.encoding:
        return None, (
            f"The embedded profile is for {profile.encoding.in_words}, "
            f"but the picture is {header.encoding.in_words}."
        )
    return profile, ""
