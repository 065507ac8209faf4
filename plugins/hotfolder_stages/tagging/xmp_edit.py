"""XMP made true: what is wrong now is set, what cannot be true is taken out, all else is kept.

The schemas are those of ISO 16684-1:2019 (``xmp``, ``xmpMM``, ``dc``), of XMP part 2 (``tiff``,
``exif``, ``photoshop``), of CIPA DC-010 (``exifEX``), and some found in files, whose namespaces
stand here as what they are: addresses.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from hotfolder import Encoding
from hotfolder_stages.tagging.geometry import Geometry
from hotfolder_stages.tagging.media_management import renew_ids
from hotfolder_stages.tagging.regions import follow
from hotfolder_stages.tagging.truth import SOFTWARE, Edition, Texts, Truth
from hotfolder_stages.tagging.xmp import DC, TIFF, Name, Xmp

_EXIF = "http://ns.adobe.com/exif/1.0/"
_EXIF_2 = "http://cipa.jp/exif/1.0/"
_XMP = "http://ns.adobe.com/xap/1.0/"
_PHOTOSHOP = "http://ns.adobe.com/photoshop/1.0/"
_NOTE = "http://ns.adobe.com/xmp/note/"
_EARTH = "http://www.w3.org/2003/01/geo/wgs84_pos#"

_MEDIA_TYPES = {
    "tiff": "image/tiff",
    "jpeg": "image/jpeg",
    "png": "image/png",
    "pdf": "application/pdf",
    "jxl": "image/jxl",
    "avif": "image/avif",
    "webp": "image/webp",
}
_COLOUR_MODES = {
    Encoding.GREY: "1",
    Encoding.RGB: "3",
    Encoding.CMYK: "4",
    Encoding.LAB: "9",
}

_STALE: Mapping[tuple[str, str], tuple[str, ...]] = {
    (_XMP, "xmp"): ("Thumbnails", "PageInfo"),
    (_NOTE, "xmpNote"): ("HasExtendedXMP",),
    (TIFF, "tiff"): (
        "BitsPerSample",
        "Compression",
        "PhotometricInterpretation",
        "SamplesPerPixel",
        "PlanarConfiguration",
        "YCbCrSubSampling",
        "YCbCrPositioning",
        "YCbCrCoefficients",
        "TransferFunction",
        "WhitePoint",
        "PrimaryChromaticities",
        "ReferenceBlackWhite",
        "NativeDigest",
    ),
    (_EXIF, "exif"): (
        "CompressedBitsPerPixel",
        "ComponentsConfiguration",
        "SubjectArea",
        "SubjectLocation",
        "FocalPlaneXResolution",
        "FocalPlaneYResolution",
        "FocalPlaneResolutionUnit",
        "Gamma",
        "OECF",
        "SpatialFrequencyResponse",
        "CFAPattern",
        "DeviceSettingDescription",
        "RelatedSoundFile",
        "MakerNote",
        "NativeDigest",
    ),
    (_EXIF_2, "exifEX"): ("Gamma",),
    (_PHOTOSHOP, "photoshop"): (
        "LegacyIPTCDigest",
        "EmbeddedXMPDigest",
        "SidecarForExtension",
        "TextLayers",
    ),
}
"""What describes how the original's file stored its pixels, shows them, or sums up other data."""

_STALE_NAMESPACES = {
    "crs": "http://ns.adobe.com/camera-raw-settings/1.0/",
    "crss": "http://ns.adobe.com/camera-raw-saved-settings/1.0/",
    "crd": "http://ns.adobe.com/camera-raw-defaults/1.0/",
    "hdrgm": "http://ns.adobe.com/hdr-gain-map/1.0/",
    "Container": "http://ns.google.com/photos/1.0/container/",
    "Item": "http://ns.google.com/photos/1.0/container/item/",
    "GImage": "http://ns.google.com/photos/1.0/image/",
    "GDepth": "http://ns.google.com/photos/1.0/depthmap/",
    "GPano": "http://ns.google.com/photos/1.0/panorama/",
}
"""Settings that made the picture from a raw file, and would be applied to it once more; pictures,
maps and panoramas that stand beside or behind the original's own pixels, or count them."""


@dataclass(frozen=True)
class EditedXmp:
    """A packet, which of its values were corrected, and what of it is gone."""

    packet: bytes
    corrected: tuple[str, ...]
    removed: tuple[str, ...]


def edited(
    xmp: Xmp,
    truth: Truth,
    edition: Edition,
    geometry: Geometry,
    added: Texts,
    *,
    remove_gps: bool,
) -> EditedXmp:
    """The packet with what it says of the result corrected and `added` put in."""
    removed = [
        local if prefix == "xmp" and local == "Thumbnails" else f"{prefix}:{local}"
        for (namespace, prefix), locals_ in _STALE.items()
        for local in locals_
        if xmp.remove(Name(namespace, prefix, local))
    ]
    removed += [
        f"{prefix}:*"
        for prefix, namespace in _STALE_NAMESPACES.items()
        if xmp.remove_everywhere(namespace)
    ]
    if not truth.is_srgb and xmp.remove(Name(_EXIF_2, "exifEX", "InteroperabilityIndex")):
        removed.append("InteroperabilityIndex")
    if remove_gps:
        places = [xmp.remove_everywhere(_EXIF, "GPS"), xmp.remove_everywhere(_EARTH)]
        removed += ["GPS"] if any(places) else []
    corrected = [
        name.local
        for name, value in _true_values(truth, edition).items()
        if xmp.correct(name, value)
    ]
    moved, lost = follow(xmp, geometry)
    corrected += moved
    removed += lost + renew_ids(xmp, edition)
    for local in ("ModifyDate", "MetadataDate"):
        xmp.put(Name(_XMP, "xmp", local), edition.made.isoformat(timespec="seconds"))
    for text, said in added.items():
        xmp.put_text(text, said)
    return EditedXmp(xmp.packet, tuple(corrected), tuple(removed))


def put_keywords(xmp: Xmp, keywords: list[str]) -> None:
    """Put in keywords where the packet has none."""
    name = Name(DC, "dc", "subject")
    if keywords and not xmp.elements(name):
        xmp.put_items(name, "Bag", keywords)


def _true_values(truth: Truth, edition: Edition) -> Mapping[Name, str | None]:
    ppi = None
    if truth.ppi is not None:
        ppi = f"{truth.ppi.numerator}/{truth.ppi.denominator}"
    width, height = str(truth.width_px), str(truth.height_px)
    values = {
        (TIFF, "tiff", "Orientation"): "1",
        (TIFF, "tiff", "ImageWidth"): width,
        (TIFF, "tiff", "ImageLength"): height,
        (TIFF, "tiff", "XResolution"): ppi,
        (TIFF, "tiff", "YResolution"): ppi,
        (TIFF, "tiff", "ResolutionUnit"): ppi and "2",
        (TIFF, "tiff", "Software"): SOFTWARE,
        (TIFF, "tiff", "DateTime"): edition.made.isoformat(timespec="seconds"),
        (_EXIF, "exif", "PixelXDimension"): width,
        (_EXIF, "exif", "PixelYDimension"): height,
        (_EXIF, "exif", "ColorSpace"): "1" if truth.is_srgb else "65535",
        (_EXIF, "exif", "ImageUniqueID"): edition.instance.hex,
        (_PHOTOSHOP, "photoshop", "ICCProfile"): truth.profile or None,
        (_PHOTOSHOP, "photoshop", "ColorMode"): _COLOUR_MODES[truth.encoding],
        (DC, "dc", "format"): _MEDIA_TYPES[edition.format],
    }
    return {Name(*name): value for name, value in values.items()}
