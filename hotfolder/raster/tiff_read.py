"""TIFF files: which picture in them is meant, and what their tags say about it.

tifffile lays out and decodes the segments; what a tag *means* for a photograph is decided here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import tifffile
from numpy.typing import NDArray

from hotfolder.errors import Refuse
from hotfolder.model.destination import Reading
from hotfolder.model.encoding import Encoding
from hotfolder.raster import colour_tags, exif, packets
from hotfolder.raster.floats import Fitting, count_outside, fit
from hotfolder.raster.foreign import TRY_AGAIN, translated
from hotfolder.raster.ifd import Value, directories, read_directory
from hotfolder.raster.ifd import structure as tiff_structure
from hotfolder.raster.original_file import OriginalFile
from hotfolder.raster.picture import Metadata, rows_per_band
from hotfolder.raster.samples import Lab, SampleLayout, to_rows
from hotfolder.raster.source import (
    Header,
    ReadLimits,
    Request,
    Rows,
    aspect_of,
    check_page,
    check_size,
    plausible_ppi,
    say_page,
)
from hotfolder.raster.tiff_segments import SegmentReader

_COMPRESSIONS = {1, 2, 3, 4, 5, 7, 8, 32773, 32946, 50000}
"""None, three of CCITT, LZW, JPEG, deflate (two numbers for it), PackBits, ZSTD."""

_NEW_SUBFILE_TYPE = 254
_REDUCED_OR_MASK = 0b101  # TIFF 6.0, NewSubfileType: bit 0 reduced image, bit 2 mask
_XMP = 700
_IPTC = 33723
_IMAGE_RESOURCES = 34377
_ICC = 34675
_INK_SET = 332
_DNG_VERSION = 50706
_PHOTOMETRIC = 262
_MOSAICS = {32803, 34892}  # TIFF/EP and DNG: a sensor's colour filters, and what is made of them
_LAYERS = 37724  # ImageSourceData: layers as an image editor keeps them
_BIG = "The file is a BigTIFF."
_LAYERED = "The file has layers; the flat picture that is saved with them was taken."
_SMALL_BYTES = 64  # enough to tell which pages are pictures


class TiffSource:
    """The rows of a full picture of a TIFF, of the first by default."""

    def __init__(self, file: OriginalFile, request: Request) -> None:
        limits, reading = request.limits, request.reading
        with translated("its list of contents"):
            tiff = tiff_structure(file.read)
            pages = list(directories(file.read, tiff, _SMALL_BYTES))
            full = _full_pictures([tags for _, tags in pages])
            chosen = check_page(len(full), reading)
            index, count = full[chosen], len(full)
            tags, _ = read_directory(file.read, tiff, pages[index][0], limits.max_profile_bytes)
            file.handle.seek(0)  # tifffile takes the position it finds for the start
            self._tiff = tifffile.TiffFile(file.handle)
            page = self._tiff.pages[index].aspage()
        with translated("the description of its pixels"):
            self._layout, notes = _layout(page, tags)
            decoded = page.imagewidth * page.imagelength * page.samplesperpixel * _item_bytes(page)
            check_size(page.imagewidth, page.imagelength, decoded, file.size, limits)
        with translated("the place of its pixels"):
            self._segments = SegmentReader(file, page, limits)
        asked_for = say_page(count, chosen, notes)
        if _LAYERS in page.tags:
            notes.append(_LAYERED)
        fitting = Fitting()
        if self._layout.palette is None and page.dtype is not None and page.dtype.kind == "f":
            fitting = self._fit(page.imagelength, page.imagewidth, reading)
            self._layout = replace(self._layout, scale=fitting.scale)
            notes += fitting.notes
        if tiff.big:
            notes.append(_BIG)
        below = exif.below(file.read, tiff, tags)
        metadata, metadata_notes = _metadata(below, tags, limits)
        aspect = aspect_of(*exif.resolution(tags), notes)
        icc = tags.get(_ICC)
        too_long = icc is None and _ICC in page.tags
        said = None
        if icc is None and not too_long:
            said = colour_tags.from_exif(below, self._layout.encoding)
        if said:
            notes.append(said.note)
        self.header = Header(
            format="TIFF",
            bits=self._layout.bits,
            width_px=page.imagewidth,
            height_px=page.imagelength,
            encoding=self._layout.encoding,
            has_alpha=self._layout.alpha is not None,
            orientation=exif.orientation(tags),
            ppi=plausible_ppi(exif.resolution_ppi(tags)[0]),
            pixel_aspect=aspect,
            cut_share=fitting.cut_share,
            cut_above=fitting.cut_above,
            icc=icc.data if icc else None,
            icc_problem="The embedded profile is too long or cut short." if too_long else "",
            icc_implied=said.icc if said else None,
            metadata=metadata,
            pages=count,
            notes=(*notes, *metadata_notes),
            harmless=frozenset({_BIG, _LAYERED, *asked_for, *([said.note] if said else [])}),
        )

    def rows(self, start: int, stop: int) -> Rows:
        """See `RowSource`."""
        return to_rows(self._segments.rows(start, stop), self._layout)

    def close(self) -> None:
        """See `RowSource`."""
        self._segments.close()
        self._tiff.close()

    def _fit(self, height_px: int, width_px: int, reading: Reading) -> Fitting:
        """Look through a floating-point picture once for what no code can hold."""
        step = rows_per_band(width_px)
        channels, lab = self._layout.encoding.channels, self._layout.lab is not None
        outside = count_outside(
            (
                self._segments.rows(start, min(height_px, start + step))[..., :channels]
                for start in range(0, height_px, step)
            ),
            lab=lab,
        )
        return fit(outside, reading, lab=lab)


@dataclass(frozen=True)
class _Kind:
    """What a PhotometricInterpretation means here."""

    encoding: Encoding
    samples: int
    inverted: bool = False
    lab: Lab | None = None
    palette: bool = False


_KINDS = {
    0: _Kind(Encoding.GREY, 1, inverted=True),
    1: _Kind(Encoding.GREY, 1),
    2: _Kind(Encoding.RGB, 3),
    3: _Kind(Encoding.RGB, 1, palette=True),
    5: _Kind(Encoding.CMYK, 4),
    8: _Kind(Encoding.LAB, 3, lab="cielab"),
    9: _Kind(Encoding.LAB, 3, lab="icclab"),
}
_YCBCR = 6


def _full_pictures(pages: list[dict[int, Value]]) -> list[int]:
    """Indices of the pictures; thumbnails and masks do not count."""
    if not pages:
        raise Refuse(
            "damaged", f"The file is damaged: it is a TIFF without any picture. {TRY_AGAIN}"
        )
    full = [
        index
        for index, tags in enumerate(pages)
        if not _integer(tags, _NEW_SUBFILE_TYPE, 0) & _REDUCED_OR_MASK
    ]
    is_mosaic = any(_integer(pages[index], _PHOTOMETRIC, 0) in _MOSAICS for index in full)
    if _DNG_VERSION in pages[0] or is_mosaic or not full:
        raise Refuse(
            "unsupported",
            "The file is a camera's raw file or holds only a preview. "
            "Develop it first, export it as a TIFF and drop that.",
        )
    return full


def _layout(page: tifffile.TiffPage, tags: dict[int, Value]) -> tuple[SampleLayout, list[str]]:
    compression = int(page.compression)
    photometric = int(page.photometric)
    if compression not in _COMPRESSIONS:
        raise _unsupported("with a compression that is not meant for delivery")
    if photometric == _YCBCR and compression == 7:
        photometric = 2  # the JPEG decoder converts it
    kind = _KINDS.get(photometric)
    if kind is None:
        raise _unsupported("in a kind of colour other than RGB, grey, CMYK, Lab or a palette")
    if kind.encoding is Encoding.CMYK and _integer(tags, _INK_SET, 1) != 1:
        raise _unsupported("as separations in other inks than cyan, magenta, yellow and black")
    if page.imagedepth != 1:
        raise _unsupported("as a volume")
    samples = page.samplesperpixel
    if samples < kind.samples:
        raise Refuse(
            "damaged",
            f"The file is damaged: it says {kind.encoding.in_words} but has only {samples} "
            f"channels. {TRY_AGAIN}",
        )
    bits = page.bitspersample
    if not isinstance(bits, int) or page.dtype is None:
        raise _unsupported("with different numbers of bits per channel")
    if page.dtype.kind not in "bufi" or (page.dtype.kind == "i" and not kind.lab):
        raise _unsupported("as signed or complex numbers")
    if bits > 32 and page.dtype.kind != "f":
        raise _unsupported(f"with {bits} bits per channel")
    if kind.lab and page.dtype.kind != "f" and bits not in {8, 16}:
        raise _unsupported(f"as Lab with {bits} bits per channel")
    extras = [int(each) for each in page.extrasamples][: samples - kind.samples]
    extras += [0] * (samples - kind.samples - len(extras))
    # TIFF 6.0, ExtraSamples: 1 is associated, 2 unassociated alpha; 0 says nothing
    alpha_at = next((at for at, extra in enumerate(extras) if extra in {1, 2}), None)
    if kind.palette and alpha_at is not None:
        alpha_at = None
    left_out = len(extras) - (alpha_at is not None)
    notes = []
    if left_out:
        plural = "s" if left_out > 1 else ""
        notes.append(
            f"The file has {left_out} extra channel{plural} (a mask or a spot colour); "
            "only the picture itself was taken."
        )
    layout = SampleLayout(
        encoding=kind.encoding,
        bits=bits,
        inverted=kind.inverted,
        lab=kind.lab,
        palette=_palette(page) if kind.palette else None,
        alpha=None if alpha_at is None else kind.samples + alpha_at,
        associated=alpha_at is not None and extras[alpha_at] == 1,
    )
    return layout, notes


def _palette(page: tifffile.TiffPage) -> NDArray[np.uint16]:
    """The colour map, shape (entries, 3).

    Values have 16 bits (TIFF 6.0, ColorMap), but many programs have only 8 to write: some write
    them as they are, some shifted by 8 places, so that white would not be white. Where no value
    uses the upper or none the lower 8 bits, the 8 bits are widened (common practice, no source).
    """
    if page.colormap is None:
        raise Refuse("damaged", f"The file is damaged: its palette is missing. {TRY_AGAIN}")
    palette: NDArray[np.uint16] = np.asarray(page.colormap, dtype=np.uint16).T
    if not (palette >> 8).any():
        return (palette * 257).astype(np.uint16)
    if not (palette & 255).any():
        return ((palette >> 8) * 257).astype(np.uint16)
    return palette


def _metadata(
    below: exif.ExifDirectories, tags: dict[int, Value], limits: ReadLimits
) -> tuple[Metadata, list[str]]:
    notes: list[str] = []
    xmp = packets.usable_xmp(_bytes(tags, _XMP), limits, notes)
    records = packets.from_tiff_tag(_bytes(tags, _IPTC))
    if records is None and (resources := _bytes(tags, _IMAGE_RESOURCES)):
        records = packets.from_image_resources(resources)
    metadata = Metadata(
        exif=exif.from_tiff(below),
        xmp=xmp,
        iptc=packets.usable(records, limits, notes),
        orientation=exif.orientation(tags),
        left_out=below.left_out,
    )
    return metadata, notes


def _bytes(tags: dict[int, Value], tag: int) -> bytes | None:
    value = tags.get(tag)
    return value.data if value else None


def _integer(tags: dict[int, Value], tag: int, default: int) -> int:
    value = tags.get(tag)
    return value.integers[0] if value and value.integers else default


def _item_bytes(page: tifffile.TiffPage) -> int:
    return math.ceil(int(page.bitspersample) / 8)


def _unsupported(how: str) -> Refuse:
    return Refuse(
        "unsupported",
        f"The TIFF is stored {how}, which cannot be read here. "
        "Save it as RGB, grey, CMYK or Lab with 8 or 16 bits per channel and drop it again.",
    )
