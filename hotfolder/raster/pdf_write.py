"""PDF results: one page with one picture in device values, made after PDF/X-4 (ISO 15930-7:2010).

The page has the picture's size, with ``BleedBox`` and ``TrimBox`` where it will be cut, and an
output intent with the medium's profile, which says what the device values mean. No number of a
pixel is touched: they are the TIFF's, packed without loss. That a page is made after a standard is
what this module means to do; whether another program takes it for one, only that program can say.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import zlib
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from decimal import Decimal
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Final
from uuid import UUID, uuid5
from xml.etree.ElementTree import ParseError

import numpy as np
from numpy.typing import NDArray

from hotfolder.errors import Refuse
from hotfolder.model.destination import Result
from hotfolder.model.encoding import Encoding
from hotfolder.raster import exif
from hotfolder.raster.picture import Band, RasterSpec, Stored
from hotfolder.raster.result_file import Samples, checked

if TYPE_CHECKING:
    import pikepdf

MAX_SIDE_PT: Final = 14_400
"""The longest side of a page, in points: ISO 32000-1:2008, annex C.2."""

_POINTS_PER_INCH: Final = 72
_LEVEL: Final = 1  # as for TIFF
_SPACES: Final = {
    Encoding.CMYK: "/DeviceCMYK",
    Encoding.RGB: "/DeviceRGB",
    Encoding.GREY: "/DeviceGray",
}
_DATE_TIME, _OFFSET_TIME = 0x0132, 0x9010
"""Exif 2.32, 4.6.8 A and 4.6.6."""
_OURS: Final = UUID("5a1c2d44-3d0e-4b7c-9b57-1f0c1f6f2a77")
"""The namespace of the names that pages are given."""
_SUB: Final = 1
"""The PNG filter before each row: each byte less the one a pixel to the left."""
_TITLE: Final = "{http://purl.org/dc/elements/1.1/}title"
_ITEM: Final = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}li"


class PdfFormat:
    """Writes a PDF 1.6 of one page."""

    def __init__(self, spec: RasterSpec, result: Result) -> None:
        if spec.encoding is Encoding.LAB or spec.profile is None:
            raise Refuse(
                "lab-result",
                "A page for print holds the device values of its medium. Let the destination "
                "convert the picture, or set its result to TIFF.",
            )
        if spec.has_alpha:
            raise Refuse(
                "pdf-alpha",
                "A page for print holds no transparency here. Flatten the picture, or set the "
                "destination's result to TIFF.",
            )
        if not spec.ppi:
            raise Refuse(
                "no-ppi",
                "A page has a size, and neither the file nor the settings say how many pixels an "
                "inch has. Set ppi in [stage.sizing].",
            )
        if spec.profile.device_class != "prtr":
            raise Refuse(
                "no-output-profile",
                f"The output intent of a page is a printer's profile, and "
                f"{spec.profile.description!r} is none. Name the printer's profile in [medium], or "
                "set the destination's result to TIFF.",
            )
        self._spec = spec
        self._bits = result.bits
        self._samples = Samples(spec, result.bits)
        sides = [self._to_points(side) for side in (spec.width_px, spec.height_px)]
        if max(sides) > MAX_SIDE_PT:
            raise Refuse(
                "pdf-too-large",
                f"The page would be {max(sides) / _POINTS_PER_INCH:.0f} in long, and one of a PDF "
                f"has at most {MAX_SIDE_PT // _POINTS_PER_INCH}. Set the destination's result to "
                "TIFF, or its size smaller.",
            )
        self.notes: list[str] = []

    def write(self, path: Path, bands: Iterable[Band]) -> None:
        """See `FormatWriter`."""
        import pikepdf

        packed = b"".join(self._pack(bands))
        made = _find_time(self._spec)
        # the same page has the same name wherever it is made
        name = uuid5(_OURS, f"{made.isoformat()} {hashlib.sha256(packed).hexdigest()}")
        with pikepdf.new() as pdf:
            self._add_page(pdf, packed)
            pdf.Root.OutputIntents = pikepdf.Array([self._make_intent(pdf)])
            self._describe(pdf, made, name)
            # a library that fills the disk says it in words of its own; a file says it as others do
            encoded = io.BytesIO()
            pdf.save(
                encoded,
                min_version="1.6",
                force_version="1.6",
                fix_metadata_version=False,
                deterministic_id=True,
                object_stream_mode=pikepdf.ObjectStreamMode.disable,
            )
        path.write_bytes(encoded.getbuffer())

    def _pack(self, bands: Iterable[Band]) -> Iterator[bytes]:
        packer = zlib.compressobj(_LEVEL)
        for band in checked(bands, self._spec):
            yield packer.compress(_filter(self._samples.of(band)).tobytes())
        yield packer.flush()

    def _add_page(self, pdf: pikepdf.Pdf, packed: bytes) -> None:
        import pikepdf
        from pikepdf import Array, Dictionary, Name, Stream

        spec = self._spec
        image = Stream(
            pdf,
            packed,
            Type=Name.XObject,
            Subtype=Name.Image,
            Width=spec.width_px,
            Height=spec.height_px,
            ColorSpace=Name(_SPACES[spec.encoding]),
            BitsPerComponent=self._bits,
            Filter=Name.FlateDecode,
            DecodeParms=Dictionary(
                Predictor=15,
                Colors=spec.channels,
                BitsPerComponent=self._bits,
                Columns=spec.width_px,
            ),
        )
        if spec.metadata.xmp:
            image.Metadata = Stream(pdf, spec.metadata.xmp, Type=Name.Metadata, Subtype=Name.XML)
        width, height = (self._to_points(side) for side in (spec.width_px, spec.height_px))
        page = pikepdf.Page(
            Dictionary(
                Type=Name.Page,
                MediaBox=Array([0, 0, width, height]),
                TrimBox=Array(self._find_box(0)),
                BleedBox=Array(self._find_box(spec.bleed_px)),
                Resources=Dictionary(XObject=Dictionary(Im0=pdf.make_indirect(image))),
                Contents=Stream(pdf, f"q {width} 0 0 {height} 0 0 cm /Im0 Do Q".encode("ascii")),
            )
        )
        pdf.pages.append(page)

    def _find_box(self, more_px: int) -> list[Decimal]:
        """Where the page is cut, with so many pixels more, from the lower left corner."""
        left, top, width, height = self._spec.trim_px
        bottom = self._spec.height_px - top - height
        edges = (
            left - more_px,
            bottom - more_px,
            left + width + more_px,
            bottom + height + more_px,
        )
        most = 2 * (self._spec.width_px, self._spec.height_px)
        inside = (min(max(edge, 0), side) for edge, side in zip(edges, most, strict=True))
        return [self._to_points(edge) for edge in inside]

    def _make_intent(self, pdf: pikepdf.Pdf) -> pikepdf.Object:
        from pikepdf import Dictionary, Name, Stream, String

        profile = self._spec.profile
        assert profile is not None  # refused above
        data = Stream(pdf, profile.data, N=self._spec.channels)
        return pdf.make_indirect(
            Dictionary(
                Type=Name.OutputIntent,
                S=Name.GTS_PDFX,
                OutputConditionIdentifier=String("Custom"),
                OutputCondition=String(profile.description),
                Info=String(profile.description),
                DestOutputProfile=pdf.make_indirect(data),
            )
        )

    def _describe(self, pdf: pikepdf.Pdf, made: datetime, name: UUID) -> None:
        """Say in both places where a PDF says it what the page is and when it was made."""
        from pikepdf import Name, String

        title = _find_title(self._spec.metadata.xmp) or "A page"
        producer = f"hotfolder {version('hotfolder')}"
        zone = made.strftime("%z")
        stamp = String(f"D:{made:%Y%m%d%H%M%S}{zone[:3]}'{zone[3:]}'")
        pdf.docinfo.update({
            "/Title": String(title), "/Producer": String(producer), "/Creator": String(producer),
            "/CreationDate": stamp, "/ModDate": stamp, "/Trapped": Name("/False"),
        })  # fmt: skip
        when = made.isoformat(timespec="seconds")
        with pdf.open_metadata(set_pikepdf_as_editor=False, update_docinfo=False) as said:
            said.register_xml_namespace("http://www.npes.org/pdfx/ns/id/", "pdfxid")
            said["pdfxid:GTS_PDFXVersion"] = "PDF/X-4"
            said["dc:title"] = title
            said["dc:format"] = "application/pdf"
            said["pdf:Producer"] = producer
            said["pdf:Trapped"] = "False"
            said["xmp:CreatorTool"] = producer
            for each in ("xmp:CreateDate", "xmp:ModifyDate", "xmp:MetadataDate"):
                said[each] = when
            said["xmpMM:DocumentID"] = said["xmpMM:InstanceID"] = f"uuid:{name}"
            said["xmpMM:VersionID"] = "1"
            said["xmpMM:RenditionClass"] = "default"

    def _to_points(self, px: int) -> Decimal:
        """A length on the page, to a hundred-thousandth of a point: far below a pixel."""
        return Decimal(f"{px / self._spec.ppi * _POINTS_PER_INCH:.5f}").normalize() + 0


def _filter(samples: Stored) -> NDArray[np.uint8]:
    """Rows as a PDF has them: high byte first, each byte less the one a pixel to the left.

    Shape (rows, 1 + bytes of a row): the PNG filters of ISO 32000-1:2008, 7.4.4.4.
    """
    rows, bytes_per_pixel = len(samples), samples.shape[-1] * samples.itemsize
    flat = samples.astype(samples.dtype.newbyteorder(">"), copy=False).reshape(rows, -1)
    flat = np.ascontiguousarray(flat).view(np.uint8)
    out = np.empty((rows, 1 + flat.shape[1]), np.uint8)
    out[:, 0] = _SUB
    out[:, 1 : 1 + bytes_per_pixel] = flat[:, :bytes_per_pixel]
    np.subtract(
        flat[:, bytes_per_pixel:], flat[:, :-bytes_per_pixel], out[:, 1 + bytes_per_pixel :]
    )
    return out


def _find_time(spec: RasterSpec) -> datetime:
    """When the result was made, as its Exif data say; now, where they say nothing."""
    with contextlib.suppress(ValueError, KeyError):
        said = exif.parse(spec.metadata.exif or b"")
        stamp, zone = (
            each.data.split(b"\0")[0].decode("ascii")
            for each in (said.main[_DATE_TIME], said.exif[_OFFSET_TIME])
        )
        return datetime.strptime(f"{stamp} {zone}", "%Y:%m:%d %H:%M:%S %z")
    return datetime.now(UTC).astimezone()


def _find_title(packet: bytes | None) -> str:
    """The title that a picture's XMP gives it; "" when it gives none."""
    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import fromstring

    if packet is None:
        return ""
    try:
        tree = fromstring(packet)
    except (ParseError, DefusedXmlException, ValueError):
        return ""
    for title in tree.iter(_TITLE):
        for item in title.iter(_ITEM):
            return (item.text or "").strip()
    return ""
