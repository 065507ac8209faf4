"""Colours that a file names without an embedded profile: PNG chunks and Exif."""

import io
import struct
import zlib

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

import colour
from hotfolder import Encoding, Hold
from hotfolder.colour import spaces
from hotfolder.colour.engine import to_lab
from hotfolder.colour.profile import Profile
from hotfolder.colour.tone import is_srgb, tone_of
from hotfolder.raster import exif
from hotfolder.raster.colour_tags import CURVES, PRIMARIES, from_exif
from hotfolder.raster.ifd import Value
from hotfolder.raster.png_write import _chunk
from raster.pictures import picture, profile_bytes, read
from reference.devices import DISPLAY_P3, SRGB, WIDE_RGB, libvips, random_pixels

CICP_SRGB, CICP_P3 = bytes([1, 13, 0, 1]), bytes([12, 13, 0, 1])
SRGB_CHRM = struct.pack(">8I", 31270, 32900, 64000, 33000, 30000, 60000, 15000, 6000)


def png(tmp_path, *chunks, samples=3):
    data = imagecodecs.png_encode(picture(6, 6, samples, "uint8").squeeze())
    path = tmp_path / "x.png"
    path.write_bytes(data[:33] + b"".join(_chunk(*chunk) for chunk in chunks) + data[33:])
    return path


def opened(tmp_path, *chunks, samples=3):
    return read(png(tmp_path, *chunks, samples=samples), tmp_path)[0]


def embedded(icc):
    return (b"iCCP", b"a name\0\0" + zlib.compress(icc))


def assert_same_colours(one, other, tolerance=0.05):
    """Of any RGB colour; matrices are rounded to 1/65536."""
    pixels = random_pixels(3, 500)
    np.testing.assert_allclose(to_lab(one, pixels), to_lab(other, pixels), atol=tolerance)


@pytest.mark.parametrize(
    ("chunk", "expected", "tolerance"),
    # Its P3 has 0 for the Z of red, which is -0.00105: up to 1.8 in the b* of yellows.
    [(CICP_SRGB, libvips("srgb"), 0.15), (CICP_P3, libvips("p3"), 2.0)],
    ids=["srgb", "p3"],
)
def test_code_points_mean_the_same_as_the_profiles_of_libvips(tmp_path, chunk, expected, tolerance):
    spec = opened(tmp_path, (b"cICP", chunk)).spec
    assert_same_colours(expected, spec.profile, tolerance)
    assert not spec.profile_assumed


@pytest.mark.parametrize(
    ("code", "name"),
    [
        (1, "ITU-R BT.709"),
        (9, "ITU-R BT.2020"),
        (11, "DCI-P3"),
        (12, "Display P3"),
        (5, "PAL/SECAM"),
        (6, "SMPTE 240M"),
    ],
)
def test_primaries_are_those_of_colour_science(code, name):
    expected = colour.RGB_COLOURSPACES[name]
    found = PRIMARIES[code][1]
    np.testing.assert_allclose([found.red, found.green, found.blue], expected.primaries)
    np.testing.assert_allclose(found.white, expected.whitepoint, atol=1e-3)


@pytest.mark.parametrize(
    ("code", "decode"),
    [
        (1, colour.models.oetf_inverse_BT709),
        (4, lambda values: values**2.2),
        (5, lambda values: values**2.8),
        (8, lambda values: values),
        (13, colour.models.eotf_sRGB),
    ],
)
def test_curves_are_those_of_colour_science(code, decode):
    profile = Profile.parse(spaces.grey_profile("test", CURVES[code][1]))
    values = np.linspace(0, 1, 65536)
    light = tone_of(profile).curves[0].to_light
    np.testing.assert_allclose(decode(values), light, atol=2e-4)


def test_the_matrix_of_srgb_and_wide_rgb_is_the_demos():
    pairs = [
        (spaces.rgb_profile("s", spaces.SRGB_PRIMARIES, spaces.SRGB_CURVE), SRGB),
        (spaces.rgb_profile("w", spaces.WIDE_PRIMARIES, spaces.WIDE_CURVE), WIDE_RGB),
        (spaces.rgb_profile("p", PRIMARIES[12][1], spaces.SRGB_CURVE), DISPLAY_P3),
    ]
    for made, expected in pairs:
        assert_same_colours(expected, Profile.parse(made))


@pytest.mark.parametrize(
    ("primaries", "said"),
    [
        (spaces.Primaries((0.64, 0.33), (0.3, 0.0), (0.15, 0.06)), "a y of zero"),
        (spaces.Primaries((0.2, 0.2), (0.3, 0.3), (0.4, 0.4)), "one line"),
        (spaces.Primaries((0.64, 0.33), (0.30, 0.60), (0.5, 0.4)), "white lies outside"),
    ],
)
def test_impossible_primaries_are_an_error(primaries, said):
    with pytest.raises(ValueError, match=said):
        spaces.rgb_profile("x", primaries, spaces.SRGB_CURVE)


def test_code_points_go_before_the_embedded_profile(tmp_path):
    # W3C PNG, third edition, 4.3: cICP has the highest precedence
    file = opened(tmp_path, (b"cICP", CICP_P3), embedded(profile_bytes("srgb")))
    assert_same_colours(DISPLAY_P3, file.spec.profile)
    assert file.notes == (
        "The file codes its colours as cICP 12-13-0-1: Display P3.",
        "This takes precedence over the embedded profile, which was not used.",
    )


def test_unknown_code_points_leave_the_embedded_profile_in_place(tmp_path):
    file = opened(tmp_path, (b"cICP", bytes([2, 2, 0, 1])), embedded(profile_bytes("p3")))
    assert profile_bytes("p3") == file.spec.profile.data
    assert not file.spec.profile_assumed
    assert file.notes == ("The file codes its colours as cICP 2-2-0-1, which is not known here.",)


@pytest.mark.parametrize("chunk", [b"", b"\1\15\0", bytes([1, 13, 1, 1]), bytes(5)])
def test_damaged_code_points_are_left_out(tmp_path, chunk):
    file = opened(tmp_path, (b"cICP", chunk))
    assert file.spec.profile is None
    assert file.notes == (
        "What the file says about its colours (cICP) is damaged and was left out.",
    )


@pytest.mark.parametrize(
    ("chunk", "code", "said"),
    [
        (bytes([9, 16, 0, 1]), "high-dynamic-range", r"^x\.png: .*dynamic range \(PQ, cICP 9-16"),
        (bytes([9, 18, 0, 1]), "high-dynamic-range", r"\(HLG, cICP 9-18-0-1\).*Export it for a st"),
        (bytes([1, 13, 0, 0]), "narrow-range", "narrow range of values.*Export it with the full"),
    ],
)
def test_pictures_coded_for_video_are_held(tmp_path, chunk, code, said):
    with pytest.raises(Hold, match=said) as hold:
        opened(tmp_path, (b"cICP", chunk))
    assert code == hold.value.code


def test_grey_takes_the_curve_only(tmp_path):
    file = opened(tmp_path, (b"cICP", CICP_P3), samples=1)
    assert file.spec.profile.encoding is Encoding.GREY
    codes = np.array([[[0], [30840], [65535]]], np.uint16)
    grey = np.repeat(codes, 3, axis=-1)
    np.testing.assert_allclose(to_lab(SRGB, grey), to_lab(file.spec.profile, codes), atol=0.02)


def test_the_srgb_chunk_is_believed_and_called_an_assumption(tmp_path):
    spec = opened(tmp_path, (b"sRGB", b"\0"), (b"gAMA", struct.pack(">I", 100_000))).spec
    assert (True, True) == (is_srgb(spec.profile), spec.profile_assumed)


def test_gamma_and_primaries_make_a_space(tmp_path):
    file = opened(tmp_path, (b"gAMA", struct.pack(">I", 45455)), (b"cHRM", SRGB_CHRM))
    expected = spaces.rgb_profile("x", spaces.SRGB_PRIMARIES, spaces.Curve((1 / 0.45455,)))
    assert_same_colours(Profile.parse(expected), file.spec.profile)
    assert file.spec.profile_assumed
    assert file.notes == (
        "The file has no profile, but says which primaries its colours have, and gamma 2.2.",
    )


@pytest.mark.parametrize(
    "chunks",
    [
        [(b"gAMA", struct.pack(">I", 45455))],
        [(b"cHRM", SRGB_CHRM)],
        [(b"gAMA", struct.pack(">I", 45455)), (b"cHRM", bytes(32))],
        [(b"gAMA", struct.pack(">I", 45455)), (b"cHRM", b"short")],
        [(b"gAMA", bytes(4)), (b"cHRM", SRGB_CHRM)],
        [(b"gAMA", struct.pack(">I", 1)), (b"cHRM", SRGB_CHRM)],
    ],
)
def test_half_of_it_or_nonsense_says_nothing(tmp_path, chunks):
    file = opened(tmp_path, *chunks)
    assert (None, False, ()) == (file.spec.profile, file.spec.profile_assumed, file.notes)


def test_gamma_alone_is_enough_for_grey(tmp_path):
    file = opened(tmp_path, (b"gAMA", struct.pack(">I", 100_000)), samples=1)
    # half the light is L* 76.07
    lab = to_lab(file.spec.profile, np.array([[[32768]]], np.uint16))
    assert 76.07 == pytest.approx(lab[0, 0, 0], abs=0.01)
    assert file.notes == ("The file has no profile, but says that its greys have gamma 1.",)


def exif_of(number, index=None):
    directories = exif.ExifDirectories(
        exif={0xA001: Value(3, 1, struct.pack("<H", number))},
        interoperability={} if index is None else {1: Value(2, 4, index)},
    )
    return exif.build(directories)


EXIF = [
    (exif_of(1), SRGB, "sRGB"),
    (exif_of(0xFFFF, b"R03\0"), WIDE_RGB, "Adobe RGB (1998)"),
    (exif_of(2, b"R03\0"), WIDE_RGB, "Adobe RGB (1998)"),
    (exif_of(0xFFFF), None, ""),
    (exif_of(0xFFFF, b"R98\0"), None, ""),
]


def as_jpeg(path, block):
    Image.fromarray(picture(8, 8, 3, "uint8")).save(path, "JPEG", exif=b"Exif\0\0" + block)


def as_png(path, block):
    data = imagecodecs.png_encode(picture(6, 6, 3, "uint8"))
    path.write_bytes(data[:33] + _chunk(b"eXIf", block) + data[33:])


def as_tiff(path, block):
    """The block is a TIFF already: give it a picture."""
    stored = io.BytesIO()
    tifffile.imwrite(stored, picture(8, 8, 3), photometric="rgb", byteorder="<", metadata=None)
    data = bytearray(stored.getvalue())
    offset = len(data)
    parsed = exif.parse(block)
    tail, exif_at, _ = exif.pack_below(parsed, offset)
    first = struct.unpack_from("<I", data, 4)[0]
    count = struct.unpack_from("<H", data, first)[0]
    entries = [bytes(data[first + 2 + 12 * n : first + 14 + 12 * n]) for n in range(count)]
    entries.append(struct.pack("<HHII", 34665, 4, 1, exif_at))
    entries.sort(key=lambda entry: struct.unpack("<H", entry[:2]))
    new = struct.pack("<H", count + 1) + b"".join(entries) + bytes(4)
    struct.pack_into("<I", data, 4, offset + len(tail))
    path.write_bytes(bytes(data) + tail + new)


@pytest.mark.parametrize("write", [as_jpeg, as_png, as_tiff])
@pytest.mark.parametrize(("block", "expected", "name"), EXIF)
def test_the_colour_space_that_exif_names_is_assumed(tmp_path, write, block, expected, name):
    write(tmp_path / "x", block)
    file, *_ = read(tmp_path / "x", tmp_path)
    if expected is None:
        assert (None, ()) == (file.spec.profile, file.notes)
        return
    assert file.spec.profile_assumed
    assert_same_colours(expected, file.spec.profile)
    assert file.notes == (
        f"The file has no profile, but its Exif data say that its colours are {name}.",
    )


def test_exif_does_not_speak_against_an_embedded_profile(tmp_path):
    icc = profile_bytes("p3")
    image = Image.fromarray(picture(8, 8, 3, "uint8"))
    image.save(tmp_path / "x", "JPEG", exif=b"Exif\0\0" + exif_of(1), icc_profile=icc)
    file, *_ = read(tmp_path / "x", tmp_path)
    assert (icc, False, ()) == (file.spec.profile.data, file.spec.profile_assumed, file.notes)


def test_exif_does_not_mend_a_broken_profile(tmp_path):
    image = Image.fromarray(picture(8, 8, 3, "uint8"))
    broken = profile_bytes("p3")[:200]
    image.save(tmp_path / "x", "JPEG", exif=b"Exif\0\0" + exif_of(1), icc_profile=broken)
    spec = read(tmp_path / "x", tmp_path)[0].spec
    assert spec.profile is None
    assert "was cut off" in spec.profile_problem


def test_exif_says_nothing_about_ink():
    assert from_exif(exif.parse(exif_of(1)), Encoding.CMYK) is None
