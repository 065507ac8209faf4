"""Tagging: regions lie where their part of the picture lies, whatever became of it."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import tifffile

from hotfolder import Metadata
from hotfolder.raster.reading import open_original
from hotfolder.testing import make_stage
from hotfolder_demo import profiles
from hotfolder_stages.sizing import Sizing
from hotfolder_stages.tagging import Tagging
from stages.driving import job_of, spec_of
from stages.tagged_files import packet, read_back

MARK = (100, 120, 180, 160)
"""Left, top, right and bottom of what is bright, in stored pixels of 400 × 300."""


def mwg(area, applied='stDim:w="400" stDim:h="300" stDim:unit="pixel"', name="Ebb"):
    """Regions of one area, in the words of the guidelines."""
    return packet(
        elements=f"""<mwg-rs:Regions rdf:parseType="Resource">
        <mwg-rs:AppliedToDimensions {applied}/>
        <mwg-rs:RegionList><rdf:Bag><rdf:li><rdf:Description mwg-rs:Name="{name}"
        mwg-rs:Type="Face"><mwg-rs:Area {area}/></rdf:Description></rdf:li></rdf:Bag>
        </mwg-rs:RegionList></mwg-rs:Regions>"""
    )


def shares(left, top, right, bottom, width=400, height=300):
    """A rectangle as an area: centre and size in shares of the picture."""
    return (
        f'stArea:x="{(left + right) / 2 / width}" stArea:y="{(top + bottom) / 2 / height}" '
        f'stArea:w="{(right - left) / width}" stArea:h="{(bottom - top) / height}" '
        'stArea:unit="normalized"'
    )


def through(tmp_path, xmp, sizing=None, orientation=1):
    """A picture with the packet, read, sized and tagged: its pixels, its metadata, findings."""
    stored = np.full((300, 400, 3), 10000, np.uint16)
    left, top, right, bottom = MARK
    stored[top:bottom, left:right] = 60000
    tifffile.imwrite(
        tmp_path / "x.tif",
        stored,
        photometric="rgb",
        metadata=None,
        iccprofile=profiles.srgb(),
        extratags=[(274, 3, 1, orientation, True), (700, 1, len(xmp), xmp, True)],
    )
    with open_original(tmp_path / "x.tif", name="x.tif", scratch=tmp_path) as opened:
        job = job_of(opened.spec)
        sizer, tagger = make_stage(Sizing, sizing or {}), make_stage(Tagging, {})
        sized = sizer.open(opened.spec, job)
        result = tagger.open(sized, job)
        pixels = np.concatenate([band.pixels for band in sizer.bands(opened.bands())])
    return pixels, result.metadata, tagger.close()


def bright(pixels):
    """Where the bright part lies: left, top, right, bottom in shares of the picture."""
    mask = pixels[..., 0] > 35000
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    height, width = mask.shape
    return (
        columns[0] / width,
        rows[0] / height,
        (columns[-1] + 1) / width,
        (rows[-1] + 1) / height,
    )


AREA = "Xmp.mwg-rs.Regions/mwg-rs:RegionList[1]/mwg-rs:Area/stArea:"
APPLIED = "Xmp.mwg-rs.Regions/mwg-rs:AppliedToDimensions/stDim:"


def area_of(read):
    x, y, w, h = (float(read[AREA + key]) for key in "xywh")
    return x - w / 2, y - h / 2, x + w / 2, y + h / 2


COVER = {"width": "250 px", "height": "250 px", "mode": "cover"}
WRAPPED = {
    "long_edge": "100 mm",
    "ppi": 100,
    "wrap": "10 mm",
    "wrap_edges": "plain",
    "wrap_colour": "#000000",
}


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("sizing", [{"long_edge": "700 px"}, COVER, WRAPPED])
def test_a_region_lies_where_its_pixels_lie(tmp_path, orientation, sizing):
    pixels, metadata, findings = through(tmp_path, mwg(shares(*MARK)), sizing, orientation)
    read = read_back(tmp_path, metadata)
    assert bright(pixels) == pytest.approx(area_of(read), abs=0.01)
    height, width = pixels.shape[:2]
    assert (str(width), str(height)) == (read[APPLIED + "w"], read[APPLIED + "h"])
    assert "Regions" in findings["corrected_in_xmp"]
    name = "Xmp.mwg-rs.Regions/mwg-rs:RegionList[1]/mwg-rs:"
    assert ("Ebb", "Face") == (read[name + "Name"], read[name + "Type"])


@pytest.mark.parametrize("orientation", [5, 6, 7, 8])
def test_regions_set_on_the_upright_picture_are_not_turned_again(tmp_path, orientation):
    pixels, metadata, _ = through(tmp_path, mwg(shares(*MARK)), orientation=orientation)
    upright = [
        round(edge * side) for edge, side in zip(bright(pixels), (300, 400) * 2, strict=True)
    ]
    xmp = mwg(shares(*upright, 300, 400), 'stDim:w="300" stDim:h="400" stDim:unit="pixel"')
    _, again, _ = through(tmp_path, xmp, orientation=orientation)
    assert area_of(read_back(tmp_path, again)) == pytest.approx(
        area_of(read_back(tmp_path, metadata)), abs=1e-5
    )


def test_a_region_is_cut_where_the_picture_is(tmp_path):
    sizing = {"width": "150 px", "height": "300 px", "mode": "cover", "anchor": "left"}
    pixels, metadata, findings = through(tmp_path, mwg(shares(*MARK)), sizing)
    area = area_of(read_back(tmp_path, metadata))
    assert bright(pixels) == pytest.approx(area, abs=0.01)
    assert area[2] == pytest.approx(1.0)
    assert [] == findings["removed"]


def test_a_region_outside_the_crop_goes_and_is_named(tmp_path):
    sizing = {"width": "90 px", "height": "300 px", "mode": "cover", "anchor": "left"}
    _, metadata, findings = through(tmp_path, mwg(shares(*MARK)), sizing)
    assert b"Ebb" not in metadata.xmp
    assert ["mwg-rs:Area"] == findings["removed"]


def test_regions_of_a_picture_of_another_shape_are_not_trusted(tmp_path):
    xmp = mwg(shares(*MARK), 'stDim:w="300" stDim:h="300" stDim:unit="pixel"')
    _, metadata, findings = through(tmp_path, xmp)
    assert b"Ebb" not in metadata.xmp
    assert ["mwg-rs:Regions"] == findings["removed"]


def test_a_point_and_a_circle_follow_too(tmp_path):
    point = 'stArea:x="0.35" stArea:y="0.4666667" stArea:unit="normalized"'
    sizing = {"width": "300 px", "height": "300 px", "mode": "cover", "anchor": "left"}
    _, metadata, _ = through(tmp_path, mwg(point), sizing)
    read = read_back(tmp_path, metadata)
    expected = (140 / 300, 140 / 300)
    assert expected == pytest.approx((float(read[AREA + "x"]), float(read[AREA + "y"])), abs=1e-5)
    assert AREA + "w" not in read
    _, metadata, _ = through(tmp_path, mwg(point + ' stArea:d="0.1"'), sizing)
    assert float(read_back(tmp_path, metadata)[AREA + "d"]) == pytest.approx(0.1)


@pytest.mark.parametrize("area", ['stArea:x="0.3"', 'stArea:x="a" stArea:y="1"', 'stArea:y="nan"'])
def test_an_area_that_is_none_goes(tmp_path, area):
    _, metadata, _ = through(tmp_path, mwg(area))
    assert b"Ebb" not in metadata.xmp


def iptc_regions(boundary, more=""):
    return packet(
        elements=f"""<Iptc4xmpExt:ImageRegion><rdf:Bag><rdf:li rdf:parseType="Resource">
        <Iptc4xmpExt:rId>reeds</Iptc4xmpExt:rId>
        <Iptc4xmpExt:RegionBoundary {boundary}>{more}</Iptc4xmpExt:RegionBoundary></rdf:li>
        </rdf:Bag></Iptc4xmpExt:ImageRegion>"""
    )


BOUNDARY = "Xmp.iptcExt.ImageRegion[1]/Iptc4xmpExt:RegionBoundary/Iptc4xmpExt:"
RELATIVE = " ".join(
    f'Iptc4xmpExt:{key}="{value}"'
    for key, value in {
        "rbShape": "rectangle",
        "rbUnit": "relative",
        "rbX": 100 / 400,
        "rbY": 120 / 300,
        "rbW": 80 / 400,
        "rbH": 40 / 300,
    }.items()
)
PIXELS = " ".join(
    f'Iptc4xmpExt:{key}="{value}"'
    for key, value in {
        "rbShape": "rectangle",
        "rbUnit": "pixel",
        "rbX": 100,
        "rbY": 120,
        "rbW": 80,
        "rbH": 40,
    }.items()
)


@pytest.mark.parametrize("boundary", [RELATIVE, PIXELS])
@pytest.mark.parametrize("sizing", [{"long_edge": "700 px"}, COVER, WRAPPED])
def test_regions_of_iptcs_schema_follow_too(tmp_path, boundary, sizing):
    pixels, metadata, _ = through(tmp_path, iptc_regions(boundary), sizing)
    read = read_back(tmp_path, metadata)
    x, y, w, h = (float(read[BOUNDARY + key]) for key in ("rbX", "rbY", "rbW", "rbH"))
    assert bright(pixels) == pytest.approx((x, y, x + w, y + h), abs=0.01)
    assert ("rectangle", "relative") == (read[BOUNDARY + "rbShape"], read[BOUNDARY + "rbUnit"])


def test_an_outline_of_iptcs_schema_stays_where_nothing_moves_and_goes_where_it_does(tmp_path):
    polygon = iptc_regions('Iptc4xmpExt:rbShape="polygon" Iptc4xmpExt:rbUnit="relative"')
    assert b"reeds" in through(tmp_path, polygon, {"long_edge": "700 px"})[1].xmp
    _, metadata, findings = through(tmp_path, polygon, COVER)
    assert b"reeds" not in metadata.xmp
    assert ["Iptc4xmpExt:RegionBoundary"] == findings["removed"]


def test_or_go_where_nobody_knows_how_they_lie(tmp_path):
    _, metadata, findings = through(tmp_path, iptc_regions(RELATIVE), orientation=6)
    assert b"ImageRegion" not in metadata.xmp
    assert ["Iptc4xmpExt:ImageRegion"] == findings["removed"]


VENDOR = packet(elements='<MP:RegionInfo rdf:parseType="Resource"><MP:x>1</MP:x></MP:RegionInfo>')


def test_a_vendors_regions_stay_only_where_nothing_moves(tmp_path):
    assert b"RegionInfo" in through(tmp_path, VENDOR, {"long_edge": "700 px"})[1].xmp
    for options in ({"sizing": COVER}, {"orientation": 3}):
        _, metadata, findings = through(tmp_path, VENDOR, **options)
        assert b"RegionInfo" not in metadata.xmp
        assert ["MP:RegionInfo"] == findings["removed"]


def test_a_sheet_of_pieces_has_no_regions():
    from hotfolder.raster.picture import NOWHERE

    spec = spec_of(np.zeros((30, 40, 3), np.uint16), original_at=NOWHERE)
    spec = replace(spec, metadata=Metadata(xmp=mwg(shares(*MARK))))
    made = make_stage(Tagging, {}).open(spec, job_of(spec)).metadata
    assert not re.search(rb"<mwg-rs:Regions", made.xmp)
