"""JPEG XL, AVIF and WebP: profile, bits and metadata are there for other readers."""

from __future__ import annotations

import imagecodecs
import numpy as np
import pytest
import pyvips
from PIL import Image
from pydantic import ValidationError

from hotfolder.colour import delta_e_00, to_lab
from hotfolder.colour.profile import Profile
from hotfolder.errors import Refuse
from hotfolder.model.destination import Result
from hotfolder.model.encoding import Encoding
from hotfolder.raster import exif
from hotfolder.raster.ifd import Value
from hotfolder.raster.jxl_write import to_distance
from hotfolder.raster.picture import Metadata, RasterSpec
from hotfolder.raster.reading import open_original
from hotfolder.raster.writing import open_result
from hotfolder_demo import profiles
from raster.pictures import bands_of, picture
from second_readers import exiv2_profile, exiv2_tags

P3 = profiles.display_p3()
XMP = (
    b'<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
    b'<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description '
    b'rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" dc:format="image/x"/></rdf:RDF>'
    b'</x:xmpmeta><?xpacket end="w"?>'
)
EXIF = exif.build(exif.ExifDirectories(main={315: Value(2, 6, b"Tidal\0")}))
FORMATS = ["jxl", "avif", "webp"]


def write(path, pixels, encoding=Encoding.RGB, *, alpha=None, profile=P3, **options):
    height, width = pixels.shape[:2]
    spec = RasterSpec(
        width, height, encoding, Profile.parse(profile), ppi=72.0, has_alpha=alpha is not None,
        metadata=Metadata(EXIF, XMP),
    )  # fmt: skip
    with open_result(path, spec, Result(**options)) as writer:
        writer.write(iter(bands_of(pixels, 7, alpha)))
    return writer


@pytest.mark.parametrize(
    ("kind", "bits", "encoding"),
    [
        ("jxl", 8, Encoding.RGB),
        ("jxl", 16, Encoding.RGB),
        ("jxl", 16, Encoding.GREY),
        ("webp", 8, Encoding.RGB),
    ],
)
def test_at_quality_100_no_pixel_changes(tmp_path, kind, bits, encoding):
    pixels = picture(50, 61, encoding.channels)
    profile = P3 if encoding is Encoding.RGB else profiles.grey_gamma22()
    path = tmp_path / f"x.{kind}"
    write(path, pixels, encoding, profile=profile, format=kind, bits=bits, quality=100)
    write(tmp_path / "x.png", pixels, encoding, profile=profile, format="png", bits=bits)
    expected = imagecodecs.png_decode((tmp_path / "x.png").read_bytes())
    decode = imagecodecs.jpegxl_decode if kind == "jxl" else imagecodecs.webp_decode
    found = decode(path.read_bytes())
    assert expected.dtype == found.dtype
    assert (expected == found.reshape(expected.shape)).all()


@pytest.mark.parametrize("kind", FORMATS)
def test_a_second_reader_sees_nearly_the_same_picture(tmp_path, kind):
    pixels = picture(120, 161, 3)
    path = tmp_path / f"x.{kind}"
    write(path, pixels, format=kind, bits=8, quality=95)
    decode = {"jxl": imagecodecs.jpegxl_decode, "avif": imagecodecs.avif_decode,
              "webp": imagecodecs.webp_decode}[kind]  # fmt: skip
    found = decode(path.read_bytes())
    assert (120, 161, 3) == found.shape
    assert np.abs(found.astype(int) - pixels // 257).mean() < 4


def read_jxl(path):
    import OpenImageIO as oiio  # noqa: N813 - as its own documentation has it

    image = oiio.ImageInput.open(str(path))
    spec = image.spec()
    pixels = np.asarray(image.read_image(0, 0, 0, spec.nchannels, "uint16"))
    return pixels, bytes(np.asarray(spec.getattribute("ICCProfile"), np.uint8))


@pytest.mark.parametrize("profile", [P3, profiles.adobe_rgb_compatible()], ids=["p3", "wide"])
def test_a_lossy_jpeg_xl_shows_the_same_colours_by_the_profile_that_it_gives(tmp_path, profile):
    # the codec may name the colours anew: its own profile then says what its numbers mean
    pixels = np.repeat(np.repeat(picture(6, 8, 3), 16, axis=0), 16, axis=1)
    write(tmp_path / "x.jxl", pixels, profile=profile, format="jxl", bits=16, quality=98)
    found, its_own = read_jxl(tmp_path / "x.jxl")
    expected = to_lab(Profile.parse(profile), pixels)
    seen = to_lab(Profile.parse(its_own), found)
    assert float(delta_e_00(expected, seen).mean()) < 1


def find_box(data, kind):
    """The content of the first such box on the top level, by its own small walk."""
    at = 0
    while at + 8 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big") or len(data) - at
        if data[at + 4 : at + 8] == kind:
            return data[at + 8 : at + size]
        at += size
    return None


@pytest.mark.parametrize("kind", FORMATS)
def test_profile_exif_and_xmp_are_in_the_file_byte_for_byte(tmp_path, kind):
    path = tmp_path / f"x.{kind}"
    write(path, picture(40, 50, 3), format=kind, bits=8, quality=100)
    if kind == "jxl":
        assert P3 == read_jxl(path)[1]
        assert b"\0\0\0\0" + EXIF == find_box(path.read_bytes(), b"Exif")
        assert XMP == find_box(path.read_bytes(), b"xml ")
        return
    with Image.open(path) as image:
        assert P3 == image.info["icc_profile"]
        assert EXIF in image.info["exif"]
        assert XMP == image.info["xmp"].rstrip(b"\0")
    if kind == "webp":
        assert P3 == exiv2_profile(path)
        assert "Tidal" == exiv2_tags(path)["Exif.Image.Artist"]
        assert P3 == pyvips.Image.new_from_file(str(path)).get("icc-profile-data")


@pytest.mark.parametrize("kind", FORMATS)
def test_what_is_written_can_be_dropped_again_with_all_it_says(tmp_path, kind):
    path = tmp_path / f"x.{kind}"
    write(path, picture(40, 50, 3), format=kind, bits=8, quality=100)
    with open_original(path, name=path.name, scratch=tmp_path) as opened:
        assert (50, 40) == (opened.spec.width_px, opened.spec.height_px)
        assert P3 == opened.spec.profile.data
        assert XMP == opened.spec.metadata.xmp
        assert b"Tidal" in opened.spec.metadata.exif


@pytest.mark.parametrize("kind", ["avif", "webp"])
def test_alpha_is_kept(tmp_path, kind):
    alpha = np.full((40, 50), 65535, np.uint16)
    alpha[:20] = 0
    path = tmp_path / f"x.{kind}"
    write(path, picture(40, 50, 3), alpha=alpha, format=kind, bits=8, quality=100)
    with Image.open(path) as image:
        found = np.asarray(image)[..., 3]
    assert 0 == found[:20].max()
    assert 255 == found[20:].min()


@pytest.mark.parametrize(
    ("kind", "encoding", "code"),
    [
        ("webp", Encoding.GREY, "not-rgb-webp"),
        ("avif", Encoding.CMYK, "not-rgb-avif"),
        ("jxl", Encoding.LAB, "not-rgb-jxl"),
    ],
)
def test_what_a_format_cannot_hold_is_refused(tmp_path, kind, encoding, code):
    with pytest.raises(Refuse) as refused:
        write(tmp_path / "x", picture(4, 5, encoding.channels), encoding, format=kind, bits=8)
    assert code == refused.value.code


def test_a_webp_has_at_most_16383_pixels_along_a_side(tmp_path):
    with pytest.raises(Refuse, match="16383"):
        write(tmp_path / "x", np.zeros((1, 16384, 3), np.uint16), format="webp", bits=8)


def test_jpeg_xl_says_that_it_holds_no_alpha_here(tmp_path):
    with pytest.raises(Refuse, match="transparency"):
        write(tmp_path / "x", picture(4, 5, 3), alpha=np.zeros((4, 5), np.uint16), format="jxl")


@pytest.mark.parametrize("kind", ["avif", "webp"])
def test_eight_bits_are_what_these_formats_have(kind):
    assert 8 == Result.model_validate({"format": kind}).bits
    with pytest.raises(ValidationError, match=f"format = {kind}"):
        Result.model_validate({"format": kind, "bits": 16})


def test_a_distance_falls_as_quality_rises():
    found = [to_distance(each) for each in range(1, 101)]
    assert found == sorted(found, reverse=True)
    assert 0 == found[-1]
