"""Regions of a picture in XMP, moved to where their part of the picture lies in the result.

Two open schemas name regions: the Metadata Working Group's (Guidelines for Handling Image
Metadata 2.0, 5.9; from memory: an area's x and y are its centre, x, y, w and h shares of the
stored picture before its orientation is applied, d a share of its short side), and IPTC's
ImageRegion (IPTC Photo Metadata Standard 2019.1, 12.1; a rectangle's x and y are its corner).
A rectangle of which a part was cropped away becomes the part that is left; one that lies outside
goes, and so does what cannot be followed. A third schema, of a vendor, is only kept where nothing
moved.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from xml.dom.minidom import Element

from hotfolder_stages.tagging.geometry import Box, Geometry
from hotfolder_stages.tagging.xmp import Name, Xmp, detach, field_of, fields_of, items_of

_MWG = "http://www.metadataworkinggroup.com/schemas/regions/"
_AREA = "http://ns.adobe.com/xmp/sType/Area#"
_DIMENSIONS = "http://ns.adobe.com/xap/1.0/sType/Dimensions#"
_IPTC = "http://iptc.org/std/Iptc4xmpExt/2008-02-29/"

_REGIONS = Name(_MWG, "mwg-rs", "Regions")
_LIST = Name(_MWG, "mwg-rs", "RegionList")
_MWG_AREA = Name(_MWG, "mwg-rs", "Area")
_APPLIED = Name(_MWG, "mwg-rs", "AppliedToDimensions")
_IMAGE_REGIONS = Name(_IPTC, "Iptc4xmpExt", "ImageRegion")
_BOUNDARY = Name(_IPTC, "Iptc4xmpExt", "RegionBoundary")
_VENDOR_REGIONS = Name("http://ns.microsoft.com/photo/1.2/", "MP", "RegionInfo")


def follow(xmp: Xmp, geometry: Geometry) -> tuple[list[str], list[str]]:
    """Move all regions of a packet.

    Returns
    -------
    tuple
        Names of what was corrected, and of what was removed.
    """
    corrected: list[str] = []
    removed: list[str] = []
    _follow_mwg(xmp, geometry, corrected, removed)
    _follow_iptc(xmp, geometry, corrected, removed)
    if not geometry.is_plain and xmp.remove(_VENDOR_REGIONS):
        removed.append(str(_VENDOR_REGIONS))
    return corrected, removed


def _follow_mwg(xmp: Xmp, geometry: Geometry, corrected: list[str], removed: list[str]) -> None:
    for regions in xmp.elements(_REGIONS):
        listed, applied = field_of(regions, _LIST), field_of(regions, _APPLIED)
        size = _numbers(fields_of(applied, _DIMENSIONS), "w", "h") if applied else None
        orientation = geometry.turned_for((size[0], size[1]) if size else None)
        if listed is None or orientation is None or not geometry.is_one_picture:
            xmp.remove(_REGIONS)
            removed.append(str(_REGIONS))
            return
        if applied is not None:
            across, down = map(str, geometry.result_px)
            xmp.fill(
                applied, _named(_DIMENSIONS, "stDim", {"w": across, "h": down, "unit": "pixel"})
            )
        gone = [
            item
            for item in items_of(listed)
            if not _move_mwg(xmp, item, geometry, orientation, size)
        ]
        if _take_out(gone):
            removed.append(str(_MWG_AREA))
        corrected.append(_REGIONS.local)
        if not items_of(listed):
            xmp.remove(_REGIONS)


def _move_mwg(
    xmp: Xmp, item: Element, geometry: Geometry, orientation: int, size: list[float] | None
) -> bool:
    """Move one region; False when none of it is left."""
    area = field_of(item, _MWG_AREA)
    if area is None:
        return True
    said = fields_of(area, _AREA)
    place = _numbers(said, "x", "y")
    if place is None:
        return False
    across, down = (1.0, 1.0)
    if said.get("unit", "normalized") == "pixel":
        if size is None:
            return False
        across, down = size[0], size[1]
    x, y = place[0] / across, place[1] / down
    extent, diameter = _numbers(said, "w", "h"), _numbers(said, "d")
    moved: dict[str, float]
    if extent is not None:
        half = extent[0] / across / 2, extent[1] / down / 2
        box = geometry.box(Box(x - half[0], y - half[1], x + half[0], y + half[1]), orientation)
        if not box.is_seen:
            return False
        seen = box.clipped()
        moved = {
            "x": (seen.left + seen.right) / 2,
            "y": (seen.top + seen.bottom) / 2,
            "w": seen.right - seen.left,
            "h": seen.bottom - seen.top,
        }
    else:
        x, y = geometry.point(x, y, orientation)
        if not (0 <= x <= 1 and 0 <= y <= 1):
            return False
        moved = {"x": x, "y": y}
        if diameter is not None:
            moved["d"] = geometry.diameter(diameter[0] / min(across, down))
    fields = {key: _text(value) for key, value in moved.items()}
    xmp.fill(area, _named(_AREA, "stArea", {**fields, "unit": "normalized"}))
    return True


def _follow_iptc(xmp: Xmp, geometry: Geometry, corrected: list[str], removed: list[str]) -> None:
    for regions in xmp.elements(_IMAGE_REGIONS):
        # The standard does not say whether an orientation is applied before or after.
        if geometry.orientation != 1 or not geometry.is_one_picture:
            xmp.remove(_IMAGE_REGIONS)
            removed.append(str(_IMAGE_REGIONS))
            return
        gone = [item for item in items_of(regions) if not _move_iptc(xmp, item, geometry)]
        if _take_out(gone):
            removed.append(str(_BOUNDARY))
        corrected.append(_IMAGE_REGIONS.local)
        if not items_of(regions):
            xmp.remove(_IMAGE_REGIONS)


def _move_iptc(xmp: Xmp, item: Element, geometry: Geometry) -> bool:
    """Move one region; False when none of it is left, or its form is not known."""
    boundary = field_of(item, _BOUNDARY)
    if boundary is None:
        return True
    said = fields_of(boundary, _IPTC)
    if geometry.is_plain and said.get("rbUnit") == "relative":
        return True
    across, down = geometry.stored_px if said.get("rbUnit") == "pixel" else (1, 1)
    place = _numbers(said, "rbX", "rbY")
    extent, radius = _numbers(said, "rbW", "rbH"), _numbers(said, "rbRx")
    shape = said.get("rbShape")
    moved: dict[str, float]
    if shape == "rectangle" and place and extent:
        left, top = place[0] / across, place[1] / down
        box = Box(left, top, left + extent[0] / across, top + extent[1] / down)
        seen = geometry.box(box, 1)
        if not seen.is_seen:
            return False
        seen = seen.clipped()
        moved = {
            "rbX": seen.left,
            "rbY": seen.top,
            "rbW": seen.right - seen.left,
            "rbH": seen.bottom - seen.top,
        }
    elif shape == "circle" and place and radius:
        x, y = geometry.point(place[0] / across, place[1] / down, 1)
        if not (0 <= x <= 1 and 0 <= y <= 1):
            return False
        share = radius[0] / across * geometry.at.width_px / geometry.result_px[0]
        moved = {"rbX": x, "rbY": y, "rbRx": share}
    else:
        return False
    fields = {key: _text(value) for key, value in moved.items()}
    fields = {"rbShape": shape, "rbUnit": "relative", **fields}
    xmp.fill(boundary, _named(_IPTC, "Iptc4xmpExt", fields))
    return True


def _take_out(items: list[Element]) -> bool:
    """Take items out of their arrays; whether there are any."""
    for item in items:
        detach(item)
    return bool(items)


def _numbers(fields: Mapping[str, str], *keys: str) -> list[float] | None:
    """The fields as numbers; None unless all are there and finite."""
    try:
        numbers = [float(fields[key]) for key in keys]
    except (KeyError, ValueError):
        return None
    return numbers if all(map(math.isfinite, numbers)) else None


def _named(namespace: str, prefix: str, fields: Mapping[str, str]) -> dict[Name, str]:
    return {Name(namespace, prefix, local): value for local, value in fields.items()}


def _text(share: float) -> str:
    return f"{share:.6f}".rstrip("0").rstrip(".")
