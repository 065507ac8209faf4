"""The header of a picture whose format keeps metadata as whole blocks: Exif, XMP, IPTC, ICC.

What formats have in common is decided here once: which statement of colours goes first, whether
damaged metadata are left out, and what is said of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from hotfolder.model.encoding import Encoding
from hotfolder.raster import colour_tags, exif, packets
from hotfolder.raster.colour_tags import Stated
from hotfolder.raster.picture import Metadata
from hotfolder.raster.source import Format, Header, ReadLimits, aspect_of, plausible_ppi

_EXIF_PREFIX = b"Exif\0\0"


@dataclass
class Blocks:
    """What a container holds beside the pixels, as bytes."""

    icc: bytes | None = None
    """The embedded profile."""
    icc_problem: str = ""
    """Why it cannot be used."""
    stated: Stated | None = None
    """What code points say of the colours; an embedded profile goes first."""
    exif: bytes | None = None
    """TIFF-structured; with its prefix or without."""
    xmp: bytes | None = None
    """A packet."""
    iptc: bytes | None = None
    """Records."""
    density: tuple[float, float] = (0.0, 0.0)
    """Pixels per inch across and down; 0.0: what the Exif block says."""
    left_out: set[str] = field(default_factory=set)
    """Names of what else there is."""


def make_header(
    file_format: Format,
    size_px: tuple[int, int],
    bits: int,
    encoding: Encoding,
    blocks: Blocks,
    limits: ReadLimits,
    *,
    has_alpha: bool = False,
    orientation: int | None = None,
    pages: int = 1,
    notes: list[str] | None = None,
    harmless: frozenset[str] = frozenset(),
) -> Header:
    """Say what a file says about its picture.

    Parameters
    ----------
    file_format, bits, encoding, has_alpha, pages
        As in `Header`.
    size_px
        Width and height as stored.
    blocks
        What stands beside the pixels.
    limits
        Of metadata.
    orientation
        Of the stored pixels; None takes what the Exif block says.
    notes
        What was decided before.
    harmless
        Those of them that are no warnings.
    """
    said = list(notes or [])
    raw = blocks.exif
    if raw is not None and raw.startswith(_EXIF_PREFIX):
        raw = raw[len(_EXIF_PREFIX) :]
    block, directories = exif.usable(raw, said)
    known = blocks.icc is not None or blocks.icc_problem
    stated = blocks.stated if blocks.stated and not known else None
    if stated:
        said.append(stated.note)
    usable = stated if stated and stated.is_usable else None
    assumed = None if known or usable else colour_tags.from_exif(directories, encoding)
    if assumed:
        said.append(assumed.note)
    across, down = blocks.density
    if not (across and down):
        across, down = exif.resolution_ppi(directories.main)
    seen = exif.orientation(directories.main)
    turn = seen if orientation is None else orientation
    return Header(
        format=file_format,
        bits=bits,
        width_px=size_px[0],
        height_px=size_px[1],
        encoding=encoding,
        has_alpha=has_alpha,
        orientation=turn,
        ppi=plausible_ppi(across),
        pixel_aspect=aspect_of(across, down, said),
        icc=blocks.icc if blocks.icc is not None else usable.icc if usable else None,
        icc_problem=blocks.icc_problem,
        icc_implied=assumed.icc if assumed else None,
        high_dynamic_range=usable.high_dynamic_range if usable else None,
        metadata=Metadata(
            exif=block,
            xmp=packets.usable_xmp(blocks.xmp, limits, said),
            iptc=packets.usable(blocks.iptc, limits, said),
            orientation=turn,
            left_out=tuple(sorted({*directories.left_out, *blocks.left_out})),
        ),
        pages=pages,
        notes=tuple(said),
        harmless=harmless | {each.note for each in (usable, assumed) if each},
    )
