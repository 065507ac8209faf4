"""Reading profiles: what they say of themselves, and what is wrong with broken ones."""

import contextlib
import io
import struct
from datetime import UTC, datetime
from hashlib import sha256

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ImageCms

from hotfolder.colour import icc_encode as icc
from hotfolder.colour.profile import Profile, ProfileError, lab_profile
from hotfolder.model.encoding import Encoding
from reference.devices import GREY, SRGB, demo_printer, libvips


def changed(offset, new, data=SRGB.data):
    return data[:offset] + new + data[offset + len(new) :]


def made(device_class="mntr", space="RGB ", pcs="XYZ ", version="4.4", tags=None):
    header = icc.Header(version, device_class, space, pcs, datetime(2000, 1, 1, tzinfo=UTC))
    return icc.encode_profile(header, tags or {"wtpt": icc.xyz(icc.D50_XYZ)})


def without(tag):
    return changed(SRGB.data.index(tag, 128), b"none")


CMYK = libvips("cmyk")
FIRST_TAG = 132


@pytest.mark.parametrize("profile", [SRGB, GREY, CMYK], ids=["rgb", "grey", "cmyk"])
def test_littlecms_reads_the_same_header(profile):
    said = ImageCms.ImageCmsProfile(io.BytesIO(profile.data)).profile
    assert said.profile_description == profile.description
    assert f"{said.version:.1f}" == profile.version
    assert said.device_class == profile.device_class
    assert said.xcolor_space.ljust(4) == profile.space
    assert said.connection_space.ljust(4) == profile.pcs
    assert profile.media_white_xyz == pytest.approx(said.media_white_point[0], abs=5e-6)


@pytest.mark.parametrize(
    ("profile", "encoding"),
    [
        (SRGB, Encoding.RGB),
        (GREY, Encoding.GREY),
        (CMYK, Encoding.CMYK),
        (lab_profile(), Encoding.LAB),
    ],
)
def test_the_encoding_follows_from_the_colour_space(profile, encoding):
    assert encoding is profile.encoding


def test_the_hash_is_of_the_bytes_and_makes_profiles_equal():
    assert sha256(SRGB.data).hexdigest() == SRGB.sha256
    assert Profile.parse(SRGB.data) == SRGB
    assert libvips("srgb") != SRGB


def test_bytes_after_the_end_do_no_harm():
    assert Profile.parse(SRGB.data + bytes(3)).description == "sRGB"


@pytest.mark.parametrize(
    ("broken", "said"),
    [
        (b"", "has only 0 bytes"),
        (SRGB.data[:100], "has only 100 bytes"),
        (SRGB.data[:-40], "was cut off: it has"),
        (changed(36, b"nope"), "is not an ICC profile"),
        (b"II*\0" + bytes(500), "is not an ICC profile"),
        (changed(0, struct.pack(">I", 64)), "announces a size of 64 bytes"),
        (changed(0, struct.pack(">I", 2**31)), "of the 2147483648 bytes that it announces"),
        (changed(8, b"\x05\x00"), "has ICC version 5.0"),
        (changed(12, b"link"), "is a device-link profile"),
        (changed(12, b"abst"), "is an abstract profile"),
        (changed(12, b"nmcl"), "is a named-colour profile"),
        (changed(12, b"zzzz"), "is of the unknown class 'zzzz'"),
        (changed(16, b"6CLR"), "is for colours of the kind '6CLR'"),
        (changed(20, b"RGB "), "connects to 'RGB '"),
        (changed(128, struct.pack(">I", 0)), "announces 0 tags"),
        (changed(128, struct.pack(">I", 2**32 - 1)), "announces 4294967295 tags"),
        (changed(FIRST_TAG + 4, struct.pack(">I", 2**32 - 4)), "lies outside it"),
        (changed(FIRST_TAG + 8, struct.pack(">I", 2**32 - 4)), "lies outside it"),
        (changed(FIRST_TAG + 12, SRGB.data[FIRST_TAG : FIRST_TAG + 4]), "twice"),
        (without(b"gXYZ"), "it has no gXYZ"),
        (without(b"rTRC"), "it has no rTRC"),
        (made(space="CMYK", pcs="Lab ", device_class="prtr"), "it has no A2B0"),
        (made(space="GRAY"), "it has no kTRC"),
        (made(space="GRAY", tags={"kTRC": b"curv" + bytes(4) + b"\xff" * 4}), "is cut off"),
    ],
)
def test_what_is_wrong_is_said(broken, said):
    with pytest.raises(ProfileError, match=r"^(has|is|was|cannot)") as error:
        Profile.parse(broken)
    assert said in str(error.value)


def test_a_file_is_named_when_it_is_broken(tmp_path):
    (tmp_path / "canvas.icc").write_bytes(SRGB.data[:200])
    with pytest.raises(ProfileError, match=r"^canvas\.icc was cut off"):
        Profile.load(tmp_path / "canvas.icc")


def test_a_missing_file_is_an_os_error(tmp_path):
    with pytest.raises(FileNotFoundError):
        Profile.load(tmp_path / "none.icc")


@given(place=st.integers(0, len(SRGB.data) - 1), value=st.integers(0, 255))
@settings(max_examples=200)
def test_any_wrong_byte_gives_a_profile_or_a_profile_error(place, value):
    with contextlib.suppress(ProfileError):
        assert Profile.parse(changed(place, bytes([value]))).encoding is Encoding.RGB


@pytest.mark.parametrize(
    ("description", "said"),
    [
        (icc.localized_text("Toile mate", "fr", "FR"), "Toile mate"),
        (icc.localized_text("Rough\n\x1b[31m canvas"), "Rough [31m canvas"),
        (icc.text_description("Rough canvas"), "Rough canvas"),
        (b"mluc" + bytes(4) + b"\xff" * 8, "(a profile without a name)"),
        (b"desc" + bytes(4), "(a profile without a name)"),
        (b"desc" + bytes(4) + b"\xff" * 4 + b"Rough", "Rough"),
        (icc.localized_text(""), "(a profile without a name)"),
    ],
)
def test_descriptions_of_both_versions_are_read_and_made_fit_for_showing(description, said):
    tags = {"desc": description, "kTRC": icc.curve(), "wtpt": icc.xyz(icc.D50_XYZ)}
    assert said == Profile.parse(made(space="GRAY", tags=tags)).description


def test_english_is_preferred_among_descriptions():
    texts = ["Canevas".encode("utf-16-be"), "Canvas".encode("utf-16-be")]
    records = struct.pack(">2s2sII", b"fr", b"FR", len(texts[0]), 40)
    records += struct.pack(">2s2sII", b"en", b"GB", len(texts[1]), 40 + len(texts[0]))
    both = b"mluc" + bytes(4) + struct.pack(">II", 2, 12) + records + b"".join(texts)
    tags = {"desc": both, "kTRC": icc.curve(), "wtpt": icc.xyz(icc.D50_XYZ)}
    assert Profile.parse(made(space="GRAY", tags=tags)).description == "Canvas"


def test_a_profile_with_tables_has_the_intents_of_its_tables():
    canvas = demo_printer("matte-canvas", "4.4")
    assert canvas.has_intent("saturation", "to device")
    renamed = changed(canvas.data.index(b"B2A2", 128), b"xxxx", canvas.data)
    assert not Profile.parse(renamed).has_intent("saturation", "to device")
    assert Profile.parse(renamed).has_intent("saturation", "from device")


def test_a_matrix_profile_is_colorimetric_only():
    assert SRGB.has_intent("relative colorimetric", "to device")
    assert SRGB.has_intent("absolute colorimetric", "from device")
    assert not SRGB.has_intent("perceptual", "to device")


def test_an_input_profile_with_one_table_is_no_destination():
    grid = np.stack(np.meshgrid([0, 1], [0, 1], [0, 1], indexing="ij"), axis=-1)
    table = icc.lut_a_to_b([icc.curve()] * 3, grid, [icc.curve()] * 3)
    tags = {"A2B0": table, "wtpt": icc.xyz(icc.D50_XYZ)}
    scanner = Profile.parse(made("scnr", "RGB ", "Lab ", tags=tags))
    assert not scanner.can_be_destination
    assert SRGB.can_be_destination
    assert CMYK.can_be_destination
