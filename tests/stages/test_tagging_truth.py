"""Tagging: whose file it is, when it was made, and what it may no longer say of itself."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest
from PIL import Image

from hotfolder import Metadata
from hotfolder.colour.profile import Profile, lab_profile
from hotfolder_stages.tagging.truth import SOFTWARE
from raster.pictures import profile_bytes
from stages.driving import GREY, SRGB, WIDE_RGB
from stages.tagged_files import packet, read_back, tagged

URN = re.compile(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")

IDS = (
    'xmpMM:DocumentID="xmp.did:one" xmpMM:InstanceID="xmp.iid:two" '
    'xmpMM:OriginalDocumentID="xmp.did:zero" xmpMM:VersionID="3" '
    'xmp:ModifyDate="2020-01-01T00:00:00" xmp:MetadataDate="2020-01-01T00:00:00" '
    'xmp:CreateDate="2019-01-01T00:00:00" xmp:Rating="5" xmp:Label="Green"'
)
HISTORY = (
    '<xmpMM:History><rdf:Seq><rdf:li stEvt:action="saved" stEvt:instanceID="xmp.iid:two"/>'
    "</rdf:Seq></xmpMM:History>"
    '<xmpMM:Ingredients><rdf:Bag><rdf:li stRef:documentID="xmp.did:sky"/></rdf:Bag>'
    "</xmpMM:Ingredients>"
    '<xmpMM:DerivedFrom stRef:documentID="xmp.did:raw" stRef:instanceID="xmp.iid:raw"/>'
)


def exif_block(**below):
    """An Exif block whose second directory has these tags, by number."""
    made = Image.Exif()
    made[271], made[306] = "Invented", "2020:01:01 00:00:00"
    made.get_ifd(0x8769).update({int(tag[1:], 16): value for tag, value in below.items()})
    return made.tobytes().removeprefix(b"Exif\0\0")


def test_a_result_has_ids_of_its_own_and_says_from_which_it_derives(tmp_path):
    made, findings = tagged(Metadata(xmp=packet(IDS, HISTORY)))
    read = read_back(tmp_path, made)
    assert URN.fullmatch(read["Xmp.xmpMM.DocumentID"])
    assert URN.fullmatch(read["Xmp.xmpMM.InstanceID"])
    assert read["Xmp.xmpMM.DocumentID"] != read["Xmp.xmpMM.InstanceID"]
    assert {
        "Xmp.xmpMM.OriginalDocumentID": "xmp.did:zero",
        "Xmp.xmpMM.DerivedFrom/stRef:documentID": "xmp.did:one",
        "Xmp.xmpMM.DerivedFrom/stRef:instanceID": "xmp.iid:two",
        "Xmp.xmpMM.DerivedFrom/stRef:originalDocumentID": "xmp.did:zero",
        "Xmp.xmpMM.History[1]/stEvt:action": "saved",
        "Xmp.xmpMM.History[2]/stEvt:action": "converted",
        "Xmp.xmpMM.History[2]/stEvt:instanceID": read["Xmp.xmpMM.InstanceID"],
        "Xmp.xmpMM.History[2]/stEvt:softwareAgent": SOFTWARE,
        "Xmp.xmpMM.Ingredients[1]/stRef:documentID": "xmp.did:sky",
    }.items() <= read.items()
    assert "Xmp.xmpMM.VersionID" not in read
    assert ["xmpMM:VersionID"] == findings["removed"]


def test_the_first_document_of_all_is_the_original_when_nothing_else_is_known(tmp_path):
    made, _ = tagged(Metadata(xmp=packet('xmpMM:DocumentID="xmp.did:one"')))
    read = read_back(tmp_path, made)
    assert read["Xmp.xmpMM.OriginalDocumentID"] == "xmp.did:one"
    assert "Xmp.xmpMM.DerivedFrom/stRef:instanceID" not in read


def test_two_results_of_one_original_are_two_documents():
    original = Metadata(xmp=packet(IDS), exif=exif_block(xA420="f" * 32))
    ids = [re.findall(rb"urn:uuid:[-0-9a-f]+", tagged(original)[0].xmp) for _ in range(2)]
    assert len(set(ids[0]) | set(ids[1])) == 4


def test_the_unique_id_of_the_image_is_new_where_there_was_one(tmp_path):
    xmp = packet('exif:ImageUniqueID="ffffffffffffffffffffffffffffffff"')
    made, _ = tagged(Metadata(xmp=xmp, exif=exif_block(xA420="f" * 32)))
    read = read_back(tmp_path, made)
    assert re.fullmatch("[0-9a-f]{32}", read["Exif.Photo.ImageUniqueID"])
    assert read["Exif.Photo.ImageUniqueID"] == read["Xmp.exif.ImageUniqueID"] != "f" * 32
    assert "Exif.Photo.ImageUniqueID" not in read_back(tmp_path, tagged(Metadata())[0])


def test_the_dates_of_the_file_are_new_and_those_of_the_picture_are_not(tmp_path):
    below = {"x9003": "2019:01:01 10:00:00", "x9290": "55", "x9291": "66", "x9000": b"0221"}
    xmp = packet(IDS + ' tiff:DateTime="2020-01-01T00:00:00"')
    before = datetime.now(UTC) - timedelta(seconds=1)
    made, _ = tagged(Metadata(xmp=xmp, exif=exif_block(**below)))
    after = datetime.now(UTC)
    read = read_back(tmp_path, made)
    for key in ("Xmp.xmp.ModifyDate", "Xmp.xmp.MetadataDate", "Xmp.tiff.DateTime"):
        assert before <= datetime.fromisoformat(read[key]) <= after, key
    stated = read["Exif.Image.DateTime"] + read["Exif.Photo.OffsetTime"]
    assert before <= datetime.strptime(stated, "%Y:%m:%d %H:%M:%S%z") <= after
    assert "Exif.Photo.SubSecTime" not in read
    assert read["Exif.Photo.ExifVersion"] == b"0232"  # the first with offsets is 0231
    assert {
        "Xmp.xmp.CreateDate": "2019-01-01T00:00:00",
        "Exif.Photo.DateTimeOriginal": "2019:01:01 10:00:00",
        "Exif.Photo.SubSecTimeOriginal": "66",
    }.items() <= read.items()


def test_rating_label_and_keywords_are_kept(tmp_path):
    subject = "<dc:subject><rdf:Bag><rdf:li>tide</rdf:li></rdf:Bag></dc:subject>"
    exif = Image.Exif()
    exif[18246], exif[40094] = 5, "tide\0".encode("utf-16-le")
    block = exif.tobytes().removeprefix(b"Exif\0\0")
    made, _ = tagged(Metadata(xmp=packet(IDS, subject), exif=block))
    read = read_back(tmp_path, made)
    assert ("5", "Green", ["tide"], 5) == (
        read["Xmp.xmp.Rating"],
        read["Xmp.xmp.Label"],
        read["Xmp.dc.subject"],
        read["Exif.Image.Rating"],
    )
    assert "tide\0".encode("utf-16-le") == bytes(read["Exif.Image.XPKeywords"])


@pytest.mark.parametrize(
    ("profile", "mode"),
    [
        (SRGB, "3"),
        (GREY, "1"),
        (lab_profile(), "9"),
        (Profile.parse(profile_bytes("cmyk")), "4"),
    ],
)
@pytest.mark.parametrize("kind", ["tiff", "jpeg"])
def test_kind_of_file_and_of_colour_are_those_of_the_result(tmp_path, profile, mode, kind):
    xmp = packet('photoshop:ColorMode="7" dc:format="image/x-raw" photoshop:ICCProfile="Old"')
    made, _ = tagged(Metadata(xmp=xmp), profile, kind)
    read = read_back(tmp_path, made)
    assert (mode, f"image/{kind}", profile.description) == (
        read["Xmp.photoshop.ColorMode"],
        read["Xmp.dc.format"],
        read["Xmp.photoshop.ICCProfile"],
    )


STALE = (
    'crs:Exposure2012="+1.00" hdrgm:Version="1.0" tiff:Compression="1" '
    'tiff:PhotometricInterpretation="2" exif:FocalPlaneXResolution="5000/1" '
    'photoshop:LegacyIPTCDigest="AB" xmpNote:HasExtendedXMP="CD" exif:CompressedBitsPerPixel="4/1"'
)
NESTED = (
    "<crs:ToneCurve><rdf:Seq><rdf:li>0, 0</rdf:li></rdf:Seq></crs:ToneCurve>"
    "<xmp:Thumbnails><rdf:Alt><rdf:li>x</rdf:li></rdf:Alt></xmp:Thumbnails>"
    "<tiff:BitsPerSample><rdf:Seq><rdf:li>16</rdf:li></rdf:Seq></tiff:BitsPerSample>"
)


def test_what_describes_the_originals_own_file_goes_and_is_named(tmp_path):
    made, findings = tagged(Metadata(xmp=packet(STALE + ' tiff:Make="Invented"', NESTED)))
    read = read_back(tmp_path, made)
    assert read["Xmp.tiff.Make"] == "Invented"
    assert {
        "Thumbnails",
        "crs:*",
        "exif:CompressedBitsPerPixel",
        "exif:FocalPlaneXResolution",
        "hdrgm:*",
        "photoshop:LegacyIPTCDigest",
        "tiff:BitsPerSample",
        "tiff:Compression",
        "tiff:PhotometricInterpretation",
        "xmpNote:HasExtendedXMP",
    } == set(findings["removed"])
    for gone in (b"camera-raw-settings", b"hdr-gain-map", b"BitsPerSample", b"Thumbnails"):
        assert gone not in made.xmp, gone


def test_of_exif_too(tmp_path):
    below = {
        "x9101": b"\1\2\3\0",
        "x9214": (4000, 3000),
        "xA20E": 5000.0,
        "xA302": b"\0\2\0\2\0\1\1\2",
        "xA004": "sound.wav",
        "x829A": 0.005,
    }
    block = exif_block(**below)
    made, findings = tagged(Metadata(exif=block), kind="tiff")
    gone = {
        "ComponentsConfiguration",
        "SubjectArea",
        "FocalPlaneXResolution",
        "CFAPattern",
        "RelatedSoundFile",
    }
    assert gone == set(findings["removed"])
    read = read_back(tmp_path, made)
    assert not [key for key in read if key.rpartition(".")[2] in gone]
    assert read["Exif.Photo.ExposureTime"] == pytest.approx(0.005)
    made, findings = tagged(Metadata(exif=block), kind="jpeg")
    assert "ComponentsConfiguration" not in findings["removed"]
    assert read_back(tmp_path, made)["Exif.Photo.ComponentsConfiguration"] == b"\1\2\3\0"


def test_a_jpeg_in_colour_says_where_its_colour_samples_lie(tmp_path):
    assert read_back(tmp_path, tagged(Metadata())[0])["Exif.Image.YCbCrPositioning"] == 1
    for options in ({"kind": "png"}, {"profile": GREY}):
        made, _ = tagged(Metadata(), **options)
        assert "Exif.Image.YCbCrPositioning" not in read_back(tmp_path, made)


def test_who_wrote_the_originals_packet_is_not_who_wrote_this_one():
    xmp = packet(IDS).replace(b"<x:xmpmeta ", b"<x:xmpmeta x:xmptk='Another' ")
    assert b"Another" not in tagged(Metadata(xmp=xmp))[0].xmp


def test_what_the_reader_left_out_is_named_among_the_rest():
    _, findings = tagged(Metadata(left_out=("JPEG comment", "Thumbnail")))
    assert ["JPEG comment", "Thumbnail"] == findings["removed"]


def test_coordinates_go_however_deep_they_lie(tmp_path):
    shown = (
        "<Iptc4xmpExt:LocationShown><rdf:Bag><rdf:li Iptc4xmpExt:City='Mouth' "
        "exif:GPSLatitude='52,30.0N'/></rdf:Bag></Iptc4xmpExt:LocationShown>"
    )
    earth = 'xmlns:geo="http://www.w3.org/2003/01/geo/wgs84_pos#" geo:lat="52.5"'
    xmp = packet('photoshop:City="Mouth" ' + earth, shown)
    made, findings = tagged(Metadata(xmp=xmp), remove_gps=True)
    assert b"52" not in made.xmp.replace(b"xmp.", b"").split(b"<xmpMM")[0]
    assert "GPS" in findings["removed"]
    assert read_back(tmp_path, made)["Xmp.photoshop.City"] == "Mouth"
    kept, _ = tagged(Metadata(xmp=xmp))
    assert b"GPSLatitude" in kept.xmp


@pytest.mark.parametrize("where", ["tiff", "exif"])
def test_overwrite_reaches_the_second_places_of_a_text(tmp_path, where):
    creator = "<tiff:Artist>Their own</tiff:Artist>"
    exif = Image.Exif()
    exif[40093] = "Their own\0".encode("utf-16-le")
    original = {
        "tiff": Metadata(xmp=packet(elements=creator)),
        "exif": Metadata(exif=exif.tobytes().removeprefix(b"Exif\0\0")),
    }[where]
    made, _ = tagged(original, creator="Ours", overwrite=True)
    read = read_back(tmp_path, made)
    assert ("Ours", ["Ours"]) == (read["Exif.Image.Artist"], read["Xmp.dc.creator"])
    assert "Xmp.tiff.Artist" not in read
    assert "Exif.Image.XPAuthor" not in read


def test_an_artist_in_tiffs_own_schema_is_left_to_the_original():
    xmp = packet(elements="<tiff:Artist>Their own</tiff:Artist>")
    assert {} == tagged(Metadata(xmp=xmp), creator="Ours")[1]["added"]


def test_srgb_is_the_only_colour_space_that_exif_is_told(tmp_path):
    xmp = packet('exifEX:InteroperabilityIndex="R98" exif:ColorSpace="1"')
    made, findings = tagged(Metadata(xmp=xmp), WIDE_RGB)
    read = read_back(tmp_path, made)
    assert ("65535", 65535) == (read["Xmp.exif.ColorSpace"], read["Exif.Photo.ColorSpace"])
    assert "InteroperabilityIndex" in findings["removed"]
