"""Every kind of original through the whole chain: right colours at the end, or a reason.

The patches' colours are fixed in device values; which colours these are is said by iccdev, the
ICC's reference implementation, or by the Lab values themselves. What was delivered is read by
tifffile and turned into colours by iccdev again. Relative colorimetric without black point
compensation, so that the colours should be the same. Tolerances, ΔE00:

======================  =====  ==========================================================
to RGB with curves      0.1    rounding of 16 bits and of matrices
from measured tables    0.3    iccdev interpolates them in another way
to a CMYK table         2.5    the demo table's own error: `hotfolder_demo.profiles`
8 bits in the original  0.6    half a step in each channel, where patches were made as Lab
JPEG                    1.5    quality 98
======================  =====  ==========================================================
"""

import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass

import imagecodecs
import numpy as np
import pytest
import pyvips
import tifffile
from PIL import Image

from hotfolder.colour import spaces
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.profile import Profile
from hotfolder.raster.png_write import _chunk
from reference.chain import deliver, lab_by_iccdev
from reference.devices import DISPLAY_P3, GREY, SRGB, WIDE_RGB, demo_printer, libvips

pytestmark = pytest.mark.slow

SIDE = 16
ROMM_LIKE = Profile.parse(
    spaces.rgb_profile(
        "Very wide RGB, gamma 1.8",
        # primaries and white of ISO 22028-2, whose curve differs from 1.8 in the darkest shadows
        spaces.Primaries((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001), (0.3457, 0.3585)),
        spaces.Curve((1.8,)),
    )
)
BOOK_2, BOOK_4 = demo_printer("coated-book", "2.4"), demo_printer("coated-book", "4.4")
CANVAS_2, CANVAS_4 = demo_printer("matte-canvas", "2.4"), demo_printer("matte-canvas", "4.4")
STRAIGHT = {
    "intent": "relative colorimetric",
    "black_point_compensation": False,
    "precision": "exact",
}

# Inside every gamut used here: sand, reed, water, skin, clay, a light and a dark grey.
LAB = np.array(
    [
        [75.0, 2.0, 15.0],
        [55.0, -12.0, 18.0],
        [50.0, -6.0, -18.0],
        [66.0, 15.0, 17.0],
        [45.0, 18.0, 16.0],
        [80.0, 0.0, 0.0],
        [40.0, 0.0, 0.0],
    ]
)
CODES = {
    "rgb": [[50000, 45000, 36000], [28000, 34000, 25000], [25000, 30000, 38000], [45000] * 3],
    "grey": [[60000], [45000], [30000], [20000]],
    "cmyk": [
        [10000, 15000, 25000, 0],
        [40000, 20000, 10000, 3000],
        [0, 0, 0, 30000],
        [20000, 40000, 35000, 8000],
    ],
}


def patches(colours, dtype=np.uint16):
    """A row of squares of one colour each."""
    colours = np.asarray(colours)
    return np.repeat(np.repeat(colours[None], SIDE, axis=0), SIDE, axis=1).astype(dtype)


def centres(pixels):
    """One pixel of each patch."""
    return pixels[SIDE // 2, SIDE // 2 :: SIDE]


def device(profile):
    return np.array(CODES[profile.encoding], np.uint16)


@dataclass
class Kind:
    """A kind of original: how it is written, and what colours it then has."""

    write: Callable
    expected: Callable  # the folder to L*, a*, b*
    tolerance: float = 0.1
    assumed: bool = False


def by(profile, codes=None):
    return lambda folder: lab_by_iccdev(
        profile, device(profile) if codes is None else codes, folder
    )


def tiff(profile, dtype=np.uint16, tolerance=0.1, **options):
    codes = device(profile)
    if dtype == np.uint8:
        codes = (codes >> 8) * 257
    stored = codes >> 8 if dtype == np.uint8 else codes
    kinds = {"rgb": "rgb", "grey": "minisblack", "cmyk": "separated"}

    def write(path):
        tifffile.imwrite(
            path,
            patches(stored, dtype).squeeze(),
            photometric=kinds[profile.encoding],
            iccprofile=profile.data,
            metadata=None,
            **options,
        )

    return Kind(write, by(profile, codes), tolerance)


def jpeg(profile, **options):
    modes = {"rgb": "RGB", "grey": "L", "cmyk": "CMYK"}
    codes = (device(profile) >> 8) * 257

    def write(path):
        stored = patches(codes >> 8, np.uint8)
        image = Image.frombytes(modes[profile.encoding], stored.shape[1::-1], stored.tobytes())
        image.save(path, "JPEG", quality=98, icc_profile=profile.data, **options)

    return Kind(write, by(profile, codes), 1.5)


def png(profile, *chunks, samples=None, **more):
    """Chunks behind the header; iCCP when there are none."""
    named = chunks or [(b"iCCP", b"profile\0\0" + zlib.compress(profile.data))]
    stored = device(profile) if samples is None else samples

    def write(path):
        data = imagecodecs.png_encode(patches(stored).squeeze())
        path.write_bytes(data[:33] + b"".join(_chunk(*each) for each in named) + data[33:])

    return Kind(write, by(profile), **more)


def lab_of_libvips(how):
    """Lab as libvips writes it into a TIFF: "lab" is 8 bits, "labs" 16."""

    def write(path):
        image = pyvips.Image.new_from_array(patches(LAB, np.float32)).copy(interpretation="lab")
        image.colourspace(how).tiffsave(str(path))

    return Kind(write, lambda folder: LAB)


def lab8(path):
    stored = np.rint(LAB * [2.55, 1, 1]).astype(np.int16).astype(np.uint8)
    tifffile.imwrite(path, patches(stored, np.uint8), photometric="cielab")


def floating(path):
    stored = patches(device(SRGB) / 65535, np.float32)
    tifffile.imwrite(path, stored, photometric="rgb", iccprofile=SRGB.data, metadata=None)


def see_through(extra):
    """Three quarters opaque over white; 2 is unassociated, 1 associated alpha."""
    share = 49151 / 65535
    colours = device(SRGB)
    shown = colours * share if extra == "assocalpha" else colours
    stored = np.concatenate([np.rint(shown), np.full((len(colours), 1), 49151)], axis=-1)
    mixed = np.rint(65535 + (colours.astype(float) - 65535) * share).astype(np.uint16)

    def write(path):
        tifffile.imwrite(
            path,
            patches(stored),
            photometric="rgb",
            extrasamples=[extra],
            iccprofile=SRGB.data,
            metadata=None,
        )

    return Kind(write, by(SRGB, mixed))


def see_through_png():
    colours = device(SRGB)
    stored = np.concatenate([colours, np.full((len(colours), 1), 0)], axis=-1)
    kind = png(SRGB, samples=stored)
    white = np.full_like(colours, 65535)
    return Kind(kind.write, by(SRGB, white))


def exif_only(path):
    stored = patches(device(SRGB) >> 8, np.uint8)
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA001] = 1
    Image.fromarray(stored).save(path, "JPEG", quality=98, exif=exif)


def gamma_chunks(gamma, primaries):
    corners = [*primaries.white, *primaries.red, *primaries.green, *primaries.blue]
    return (
        (b"gAMA", struct.pack(">I", round(100_000 / gamma))),
        (b"cHRM", struct.pack(">8I", *(round(each * 100_000) for each in corners))),
    )


KINDS = {
    "RGB curves, version 4, 16 bits": tiff(SRGB),
    "RGB curves of libvips, 8 bits": tiff(libvips("srgb"), np.uint8),
    "RGB curves, wide": tiff(WIDE_RGB),
    "RGB curves, P3": tiff(DISPLAY_P3),
    "RGB curves, very wide": tiff(ROMM_LIKE),
    "RGB table, version 2": tiff(CANVAS_2),
    "RGB table, version 4": tiff(CANVAS_4),
    "RGB table, 8 bits": tiff(CANVAS_2, np.uint8),
    "RGB, planar, big-endian": tiff(SRGB, byteorder=">", compression="deflate"),
    "RGB, floating point": Kind(floating, by(SRGB)),
    "grey, 16 bits": tiff(GREY),
    "grey, 8 bits": tiff(GREY, np.uint8),
    "CMYK, version 2": tiff(BOOK_2),
    "CMYK, version 4": tiff(BOOK_4),
    "CMYK of libvips, 8 bits": tiff(libvips("cmyk"), np.uint8, 0.3),
    "Lab, 16 bits": lab_of_libvips("labs"),
    "Lab, 8 bits": Kind(lab8, lambda folder: LAB, 0.6),
    "alpha, unassociated": see_through("unassalpha"),
    "alpha, associated": see_through("assocalpha"),
    "PNG, transparent": see_through_png(),
    "PNG, 16 bits": png(WIDE_RGB),
    "PNG, grey": png(GREY),
    "PNG, cICP sRGB": png(SRGB, (b"cICP", bytes([1, 13, 0, 1]))),
    "PNG, cICP P3": png(DISPLAY_P3, (b"cICP", bytes([12, 13, 0, 1]))),
    "PNG, sRGB chunk": png(SRGB, (b"sRGB", b"\0"), assumed=True),
    "PNG, gAMA and cHRM": png(
        WIDE_RGB, *gamma_chunks(563 / 256, spaces.WIDE_PRIMARIES), assumed=True
    ),
    "PNG, grey, gAMA": png(GREY, (b"gAMA", struct.pack(">I", 45455)), assumed=True),
    "JPEG": jpeg(SRGB),
    "JPEG, wide": jpeg(WIDE_RGB),
    "JPEG, grey": jpeg(GREY),
    "JPEG, CMYK": jpeg(BOOK_2),
    "JPEG, Exif only": Kind(exif_only, by(SRGB), 1.5, assumed=True),
}


@pytest.mark.parametrize("name", KINDS)
def test_an_rgb_destination_gets_the_right_colours(name, tmp_path):
    kind = KINDS[name]
    kind.write(tmp_path / "mud")
    outcome, pixels = deliver(tmp_path / "mud", ROMM_LIKE, tmp_path, profile_conversion=STRAIGHT)
    assert ("deliver", ()) == (outcome.verdict, outcome.work.reasons)
    delivered = lab_by_iccdev(ROMM_LIKE, centres(pixels), tmp_path)
    error = delta_e_00(kind.expected(tmp_path), delivered)
    assert error.max() < kind.tolerance, error
    original = outcome.work.original
    # Lab needs no profile, so the one that stands for it is nobody's own
    assert (kind.assumed or name.startswith("Lab")) == original.profile.assumed
    assert outcome.work.findings["preflight"]["profile_assumed"] == original.profile.assumed


@pytest.mark.parametrize(
    "name", [name for name in KINDS if "JPEG" not in name and "CMYK" not in name]
)
def test_a_cmyk_destination_gets_the_right_colours(name, tmp_path):
    kind = KINDS[name]
    kind.write(tmp_path / "mud")
    outcome, pixels = deliver(tmp_path / "mud", BOOK_2, tmp_path, profile_conversion=STRAIGHT)
    assert ("deliver", ()) == (outcome.verdict, outcome.work.reasons)
    delivered = lab_by_iccdev(BOOK_2, centres(pixels), tmp_path)
    expected = kind.expected(tmp_path)
    inside = expected[:, 0] > 20  # the paper has no deeper black
    assert delta_e_00(expected, delivered)[inside].max() < 2.5 + kind.tolerance
    ink = outcome.work.findings["ink-check"]
    assert ink["max_percent"] == pytest.approx(pixels.sum(axis=-1).max() / 655.35, abs=0.01)


def test_separations_for_the_same_paper_are_not_touched(tmp_path):
    KINDS["CMYK, version 2"].write(tmp_path / "mud")
    outcome, pixels = deliver(tmp_path / "mud", BOOK_2, tmp_path)
    np.testing.assert_array_equal(device(BOOK_2), centres(pixels))
    notes = outcome.work.findings["profile-conversion"]["notes"]
    assert notes == ["The picture is in the destination's profile already; no pixel was changed."]


@pytest.mark.parametrize("name", ["grey, 16 bits", "PNG, grey, gAMA", "JPEG, grey"])
def test_grey_originals_are_recognised_and_their_cast_is_in_the_record(name, tmp_path):
    KINDS[name].write(tmp_path / "mud")
    outcome, pixels = deliver(tmp_path / "mud", CANVAS_4, tmp_path, profile_conversion=STRAIGHT)
    found = outcome.work.findings["neutral-check"]
    assert found["monochrome"]
    delivered = lab_by_iccdev(CANVAS_4, centres(pixels), tmp_path)
    chroma = np.hypot(delivered[:, 1], delivered[:, 2])
    # the record's is over all shades that occur: in a JPEG some more than the patches'
    assert chroma.max() - 0.05 <= found["worst_cast"]["chroma"] < 1


def test_what_is_laid_onto_white_is_said(tmp_path):
    KINDS["alpha, unassociated"].write(tmp_path / "mud")
    outcome, _ = deliver(tmp_path / "mud", SRGB, tmp_path)
    assert outcome.work.findings["profile-conversion"]["alpha_laid_onto_white"]


def test_what_is_transparent_is_paper(tmp_path):
    KINDS["PNG, transparent"].write(tmp_path / "mud")
    _, pixels = deliver(tmp_path / "mud", BOOK_2, tmp_path)
    assert 0 == pixels.max()


def test_a_colour_space_that_was_believed_is_in_the_record(tmp_path):
    KINDS["JPEG, Exif only"].write(tmp_path / "mud")
    outcome, _ = deliver(tmp_path / "mud", SRGB, tmp_path)
    assert outcome.work.original.notes == (
        "The file has no profile, but its Exif data say that its colours are sRGB.",
    )
    assert ("sRGB", True) == (
        outcome.work.original.profile.description,
        outcome.work.original.profile.assumed,
    )


def no_profile(path):
    tifffile.imwrite(path, patches(device(SRGB)), photometric="rgb", metadata=None)


def foreign_profile(path):
    tifffile.imwrite(
        path, patches(device(SRGB)), photometric="rgb", iccprofile=GREY.data, metadata=None
    )


def cut_profile(path):
    tifffile.imwrite(
        path, patches(device(SRGB)), photometric="rgb", iccprofile=SRGB.data[:300], metadata=None
    )


@pytest.mark.parametrize(
    ("write", "reason", "said"),
    [
        (no_profile, ("preflight", "no-profile"), "It carries no colour profile."),
        (
            foreign_profile,
            ("preflight", "profile-unusable"),
            "The embedded profile is for grey, but the picture is RGB.",
        ),
        (cut_profile, ("preflight", "profile-unusable"), "The embedded profile was cut off"),
        (
            png(SRGB, (b"cICP", bytes([9, 16, 0, 1]))).write,
            ("reading", "high-dynamic-range"),
            "mud: The picture is coded for high dynamic range (PQ, cICP 9-16-0-1)",
        ),
        (exif_only, ("preflight", "no-profile"), "It carries no colour profile."),
    ],
)
def test_what_nobody_can_know_is_held_with_the_reason(write, reason, said, tmp_path):
    write(tmp_path / "mud")
    outcome, pixels = deliver(
        tmp_path / "mud", SRGB, tmp_path, preflight={"trust_colour_space": False}
    )
    assert ("hold", None) == (outcome.verdict, pixels)
    (found,) = outcome.work.reasons
    assert reason == (found.stage, found.code)
    assert found.message.startswith(said)


def test_too_much_ink_is_held_and_its_pixels_are_made_all_the_same(tmp_path):
    heavy = np.full((1, 4), 60000, np.uint16)
    tifffile.imwrite(
        tmp_path / "mud",
        patches(heavy),
        photometric="separated",
        iccprofile=BOOK_2.data,
        metadata=None,
    )
    outcome, pixels = deliver(
        tmp_path / "mud", BOOK_2, tmp_path, ink_check={"hold_above_share": "0.1 %"}
    )
    assert ["too-much-ink"] == [reason.code for reason in outcome.work.reasons]
    np.testing.assert_array_equal(patches(heavy), pixels)
    assert outcome.work.findings["ink-check"]["max_percent"] == pytest.approx(366.22)
