"""Black-and-white pictures: recognised, and the cast that a destination gives them."""

import functools
import io
from datetime import UTC, datetime

import iccdev
import numpy as np
import pytest
from PIL import Image

from hotfolder import Area, Encoding, Hold, OwnPixels
from hotfolder.colour import icc_encode as icc
from hotfolder.colour import spaces
from hotfolder.colour.engine import to_lab
from hotfolder.colour.profile import Profile, lab_profile
from hotfolder.colour.transform import Precision, Transform
from hotfolder.testing import make_stage, run_stage
from hotfolder_demo import reeds as demo_reeds
from hotfolder_stages.neutral_check import NeutralCheck
from hotfolder_stages.neutral_check.cast import Cast, in_words
from hotfolder_stages.profile_conversion import ProfileConversion
from raster.pictures import picture
from reference.devices import GREY, SRGB, WIDE_RGB, demo_printer, libvips
from stages.driving import encode_lab, job_of, spec_of

pytestmark = pytest.mark.slow

RAMP = np.repeat(np.linspace(0, 65535, 3000).astype(np.uint16).reshape(30, 100, 1), 3, axis=2)


def cast_of(a, b):
    """A printer that is told to print grey and prints it with this a* and b*.

    L* is the mean of R, G and B; to it leads R = G = B = L* / 100.
    """
    corners = np.stack(np.meshgrid([0, 1], [0, 1], [0, 1], indexing="ij"), axis=-1)
    lightness = 100 * corners.mean(axis=-1)
    lab = np.stack([lightness, np.full_like(lightness, a), np.full_like(lightness, b)], axis=-1)
    line = [[0.0, 1.0]] * 3
    to_lab = icc.lut16(line, icc.lab_to_codes(lab, "2.4"), line)
    grey = np.repeat(corners[..., :1].astype(float), 3, axis=-1)
    # L* 100 is code 65280 in this encoding, so the line reaches 1 there.
    reach = np.minimum(np.linspace(0, 1, 4096) * 65535 / 65280, 1)
    to_rgb = icc.lut16(np.stack([reach, reach, reach]), grey, line)
    header = icc.Header("2.4", "prtr", "RGB ", "Lab ", datetime(2000, 1, 1, tzinfo=UTC))
    tags = {"wtpt": icc.xyz(icc.D50_XYZ), "A2B0": to_lab, "B2A0": to_rgb}
    return Profile.parse(icc.encode_profile(header, tags))


def check(pixels, profile=SRGB, destination=SRGB, *, rows=7, conversion=(), alpha=None, **values):
    spec = spec_of(pixels, profile, has_alpha=alpha is not None)
    beside = [make_stage(ProfileConversion, dict(conversion))]
    job = job_of(spec, profile=destination, beside=beside)
    stage = make_stage(NeutralCheck, values)
    out, _, findings, _ = run_stage(stage, pixels, spec, job, rows, alpha)
    np.testing.assert_array_equal(pixels, out)
    return findings


def kind(findings):
    return next((name for name in ("monochrome", "toned") if findings[name]), "colour")


def jpeg(pixels, quality=85, subsampling="4:2:0"):
    """What a JPEG makes of 16-bit pixels, as the reader would hand it on."""
    data = io.BytesIO()
    Image.fromarray((pixels >> 8).astype(np.uint8)).save(
        data, "JPEG", quality=quality, subsampling=subsampling
    )
    return np.asarray(Image.open(data)).astype(np.uint16) * 257


def toned(warmth):
    """A print in one colour: L* as the picture has it, a* and b* growing towards the mid tones."""
    lightness = picture(60, 90, 1)[..., 0] / 655.35
    tone = warmth * np.sin(np.pi * lightness / 100)
    lab = np.stack([lightness, tone / 3, tone], axis=-1)
    return Transform(lab_profile(), WIDE_RGB, black_point_compensation=False).apply(encode_lab(lab))


def test_a_grey_file_is_black_and_white():
    assert "monochrome" == kind(check(RAMP[..., :1].copy(), GREY))


@pytest.mark.parametrize("profile", [SRGB, WIDE_RGB])
def test_rgb_with_equal_channels_is_black_and_white(profile):
    findings = check(RAMP, profile)
    assert ("monochrome", 0.0, 3000) == (
        kind(findings),
        findings["original_chroma"],
        findings["shades"],
    )


@pytest.mark.parametrize("profile", [SRGB, WIDE_RGB])
def test_rounding_to_8_bits_is_no_colour(profile):
    noise = np.random.default_rng(3).integers(-1, 1, RAMP.shape)
    rounded = (np.clip((RAMP >> 8).astype(int) + noise, 0, 255) * 257).astype(np.uint16)
    findings = check(rounded, profile)
    assert kind(findings) == "monochrome"
    assert 0.3 < findings["original_chroma"] <= 2.0


def test_equal_channels_of_a_device_that_prints_them_with_a_cast_are_not_neutral():
    assert "toned" == kind(check(RAMP, cast_of(6, 0)))


@pytest.mark.parametrize(("side", "expected"), [(1, "monochrome"), (12, "colour")])
def test_a_pixel_of_colour_in_many_is_no_colour_and_a_spot_is(side, expected):
    pixels = np.tile(RAMP, (10, 10, 1))
    pixels[17 : 17 + side, 3 : 3 + side] = 30000, 20000, 20000
    pixels[17 : 17 + side, 103 : 103 + side] = 20000, 30000, 20000
    findings = check(pixels)
    assert kind(findings) == expected
    if expected == "monochrome":
        assert findings["coloured_share"] == round(2 / 300_000, 6)
        assert findings["decided"].startswith("Black and white: less than 0.001 % of it has col")
        assert findings["worst_cast"]["chroma"] < 0.1  # the pixel of colour is no grey


ROMM_LIKE = Profile.parse(
    spaces.rgb_profile(
        "Very wide RGB, gamma 1.8",
        # primaries and white of ISO 22028-2, whose curve differs from 1.8 in the darkest shadows
        spaces.Primaries((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001), (0.3457, 0.3585)),
        spaces.Curve((1.8,)),
    )
)


@pytest.mark.parametrize("profile", [SRGB, WIDE_RGB, ROMM_LIKE], ids=["sRGB", "wide", "ROMM-like"])
def test_a_code_of_noise_is_no_colour_in_any_space(profile):
    noise = np.random.default_rng(3).integers(-1, 2, RAMP.shape)
    noisy = (np.clip((RAMP >> 8).astype(int) + noise, 0, 255) * 257).astype(np.uint16)
    findings = check(noisy, profile)
    assert kind(findings) == "monochrome"
    # and twice as much colour in one direction is a tone
    tint = np.clip(np.add(RAMP >> 8, [6, 0, -6], dtype=int), 0, 255).astype(np.uint16) * 257
    assert kind(check(tint, profile)) == "toned"


def test_a_toned_picture_with_a_spot_of_dust_is_toned():
    pixels = np.tile(toned(25), (4, 4, 1))
    pixels[5, 5:8] = 60000, 0, 0
    findings = check(pixels, WIDE_RGB)
    assert kind(findings) == "toned"
    assert findings["worst_cast"]["chroma"] < 2


def test_a_tone_is_compared_with_itself():
    kept = check(toned(25), WIDE_RGB, SRGB)
    assert kept["worst_cast"]["chroma"] < 0.5 < 20 < kept["original_chroma"]
    with pytest.raises(Hold, match="is toned, but would come out with a bluish cast beside its t"):
        check(toned(25), WIDE_RGB, cast_of(0, 0), hold_above_cast=4)


@pytest.mark.parametrize(("chroma", "expected"), [(2.02, False), (1.98, True)])
def test_the_limit_is_exact_to_two_hundredths(chroma, expected):
    pixels = encode_lab(np.array([[[50.0, 0, 0], [50.0, 0.6 * chroma, 0.8 * chroma]]]))
    findings = check(pixels, lab_profile())
    assert expected == findings["monochrome"]
    # the same colour in sRGB, where only an exact conversion tells
    rgb = Transform(lab_profile(), SRGB, black_point_compensation=False).apply(pixels)
    assert expected == check(rgb)["monochrome"]


@pytest.mark.parametrize("warmth", [9, 25])
def test_a_toned_picture_is_called_so_and_not_black_and_white(warmth):
    findings = check(toned(warmth), WIDE_RGB)
    assert "toned" == kind(findings)
    assert findings["decided"].startswith("Toned: it has colour, and all but 0 % of it has one")


def test_a_toned_picture_is_still_recognised_after_jpeg():
    assert "toned" == kind(check(jpeg(toned(25)), WIDE_RGB))


@functools.cache
def reeds():
    """The demo's reeds, full of fine stalks, in sRGB: shape (400, 600, 3), 0 … 1."""
    return demo_reeds.reeds(600, 400, np.random.default_rng(2)).clip(0, 1) ** (1 / 2.2)


def photograph():
    """The same in black and white: shape (400, 600)."""
    return reeds() @ [0.3, 0.59, 0.11]


def tint(grey, name):
    """What a program that tones pictures makes of a grey, 0 … 1, in sRGB."""
    x = grey[..., None]
    shadows, highlights = 4 * x * (1 - x) ** 2, 4 * x**2 * (1 - x)
    made = {
        "sepia": x * [1.2, 1.0, 0.78],
        "sepia, clipped": x * [1.351, 1.203, 0.937],
        "selenium": x + shadows * [0.12, -0.02, 0.1],
        "split": x + shadows * [-0.09, 0, 0.15] + highlights * [0.09, 0.015, -0.15],
    }[name]
    return (np.clip(made, 0, 1) * 65535).astype(np.uint16)


@pytest.mark.parametrize("subsampling", ["4:2:0", "4:4:4"])
@pytest.mark.parametrize("quality", [60, 75, 95])
@pytest.mark.parametrize("name", ["sepia", "sepia, clipped", "selenium", "split"])
def test_a_toned_photograph_is_toned_whatever_jpeg_did_at_its_edges(name, quality, subsampling):
    findings = check(jpeg(tint(photograph(), name), quality, subsampling), rows=200)
    assert "toned" == kind(findings)
    assert "the noise of compression aside" in findings["decided"]


@pytest.mark.parametrize("base", ["grey", "sepia"])
def test_a_small_red_flower_in_a_picture_of_one_tone_is_colour(base):
    grey = photograph()
    pixels = tint(grey, "sepia") if base == "sepia" else np.repeat(grey[..., None], 3, 2) * 65535
    y, x = np.indices(grey.shape)
    flower = np.hypot(y - 300, x - 200) < 6  # 0.05 % of the picture
    pixels[flower] = (grey[flower][:, None] * 0.3 + 0.35) * [1.5, 0.5, 0.55] * 65535
    assert "colour" == kind(check(jpeg(pixels.astype(np.uint16)), rows=200))


@pytest.mark.parametrize("strength", [0.1, 0.2, 1])
def test_a_photograph_with_faint_colours_is_in_colour(strength):
    rgb, grey = reeds(), photograph()[..., None]
    pixels = ((grey + (rgb - grey) * strength) * 65535).astype(np.uint16)
    assert "colour" == kind(check(jpeg(pixels), rows=200))


def test_an_enlarged_toned_jpeg_is_toned():
    small = jpeg(tint(photograph()[80:320, 80:320], "sepia"), 75, "4:2:0")
    spec = spec_of(small, SRGB)
    beside = [make_stage(ProfileConversion, {})]
    enlarged = np.repeat(np.repeat(small, 6, axis=0), 6, axis=1)
    made = spec_of(enlarged, SRGB)
    job = job_of(made, profile=SRGB, beside=beside)
    job.tell(OwnPixels(spec, Area(0, 0, 1440, 1440)))
    *_, findings, _ = run_stage(make_stage(NeutralCheck, {}), enlarged, made, job, 200)
    assert "toned" == kind(findings)


def test_a_colour_picture_is_neither():
    assert "colour" == kind(check(picture(60, 90, 3)))


def test_a_picture_with_colour_in_one_corner_is_neither():
    pixels = np.tile(RAMP, (4, 1, 1))
    pixels[-12:, -12:] = picture(12, 12, 3)
    assert "colour" == kind(check(pixels))


def test_black_ink_alone_is_black_and_white():
    pixels = np.zeros((30, 100, 4), np.uint16)
    pixels[..., 3] = RAMP[..., 0]
    book = demo_printer("coated-book", "2.4")
    assert "monochrome" == kind(check(pixels, book, book))
    # the black ink of this one is purplish: chroma 5.8 at 100 %
    assert "toned" == kind(check(pixels, libvips("cmyk"), libvips("cmyk")))


def test_lab_without_a_and_b_is_black_and_white():
    pixels = encode_lab(np.stack([RAMP[..., 0] / 655.35, *[np.zeros((30, 100))] * 2], axis=-1))
    assert "monochrome" == kind(check(pixels, lab_profile()))


def test_what_is_transparent_is_white():
    pixels = RAMP.copy()
    pixels[:10] = 60000, 0, 0
    alpha = np.full(RAMP.shape[:2], 65535, np.uint16)
    alpha[:10] = 0
    assert "monochrome" == kind(check(pixels, alpha=alpha))
    alpha = alpha.copy()
    alpha[5, 5] = 20000
    assert "monochrome" != kind(check(pixels, alpha=alpha))


@pytest.mark.parametrize("rows", [1, 8, 60])
def test_the_answer_does_not_depend_on_bands(rows):
    noise = np.random.default_rng(5).integers(-200, 200, RAMP.shape)
    pixels = np.clip(RAMP.astype(int) + noise, 0, 65535).astype(np.uint16)
    canvas = demo_printer("matte-canvas", "4.4")
    assert check(pixels, WIDE_RGB, canvas, rows=30) == check(pixels, WIDE_RGB, canvas, rows=rows)


@pytest.mark.parametrize(("a", "b"), [(3.0, 4.0), (-1.5, 2.0), (0.0, -8.0)])
def test_a_known_cast_is_reported(a, b):
    worst = check(RAMP, WIDE_RGB, cast_of(a, b))["worst_cast"]
    # 16-bit Lab of version 2 has steps of 1/256
    assert [a, b, np.hypot(a, b)] == pytest.approx(
        [worst["a"], worst["b"], worst["chroma"]], abs=0.02
    )


@pytest.mark.parametrize("intent", ["perceptual", "relative colorimetric"])
@pytest.mark.parametrize(
    "printer", [demo_printer("coated-book", "2.4"), libvips("cmyk")], ids=["demo", "libvips"]
)
def test_iccdev_finds_the_same_worst_cast(printer, intent, tmp_path):
    """iccdev is the ICC's reference implementation; it interpolates tables in another way."""
    conversion = {"intent": intent, "black_point_compensation": False, "precision": "exact"}
    ours = check(RAMP, SRGB, printer, conversion=conversion)
    (tmp_path / "source.icc").write_bytes(SRGB.data)
    (tmp_path / "printer.icc").write_bytes(printer.data)
    made = through_iccdev(
        [tmp_path / "source.icc", tmp_path / "printer.icc"],
        ["perceptual", "relative colorimetric"].index(intent),
        RAMP.reshape(-1, 3) / 65535,
    )
    lab = through_iccdev([tmp_path / "printer.icc"], 1, made)
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    assert chroma.max() == pytest.approx(ours["worst_cast"]["chroma"], abs=0.35)
    assert chroma.mean() == pytest.approx(ours["mean_chroma"], abs=0.35)


def through_iccdev(paths, intent, values):
    """Convert rows of device values; from one profile alone, to L*, a*, b*."""
    cmm = iccdev.IccCmm()
    for path in paths:
        cmm.attach(path, intent=iccdev.Intent(intent), interp=iccdev.Interpolation.Linear)
    cmm.begin()
    out = cmm.apply_ndarray(values.astype(np.float32))
    return out if len(paths) > 1 else out * [100, 255, 255] - [0, 128, 128]


def test_the_demo_printers_keep_greys_neutral():
    for name, version in (("matte-canvas", "4.4"), ("coated-book", "2.4")):
        findings = check(RAMP, SRGB, demo_printer(name, version), hold_above_cast=1.5)
        assert 0 < findings["mean_chroma"] < 0.5


def test_only_shades_that_occur_count():
    canvas = demo_printer("matte-canvas", "4.4")
    all_shades = check(RAMP, SRGB, canvas)
    white_only = check(np.full((5, 5, 3), 65535, np.uint16), SRGB, canvas)
    assert 1 == white_only["shades"]
    assert white_only["worst_cast"]["chroma"] < 0.05 < all_shades["worst_cast"]["chroma"]


def test_a_cast_above_the_limit_is_held_in_plain_words():
    with pytest.raises(Hold) as hold:
        check(np.full((5, 5, 3), 30000, np.uint16), SRGB, cast_of(1, 6), hold_above_cast=3)
    assert "colour-cast" == hold.value.code
    assert np.hypot(1, 6) == pytest.approx(hold.value.findings["worst_cast"]["chroma"], abs=0.02)
    assert hold.value.message == (
        "This picture is black and white, but would come out with a yellowish cast: at lightness "
        "49 its grey has a* +1.0 and b* +6.0, a chroma of 6.1 (3 is allowed). Use a profile or a "
        "rendering intent that keeps greys neutral, or release the picture as it is."
    )


def test_a_toned_picture_is_never_held_for_its_tone():
    findings = check(toned(25), WIDE_RGB, SRGB, hold_above_cast=1)
    assert findings["toned"]


@pytest.mark.parametrize(
    ("a", "b", "word"),
    [(5, 0, "reddish"), (0, 5, "yellowish"), (-5, 0, "greenish"), (0, -5, "bluish")],
)
def test_hues_have_plain_names(a, b, word):
    assert word == in_words(Cast(50, a, b))


def test_where_the_conversion_chooses_its_intent_the_worse_one_is_reported():
    canvas = demo_printer("matte-canvas", "4.4")
    spec = spec_of(RAMP, SRGB)
    chosen = ProfileConversion.Settings(
        intent="least loss", black_point_compensation=False, precision="exact"
    )
    job = job_of(spec, profile=canvas, beside=[ProfileConversion(chosen)])
    *_, findings, _ = run_stage(make_stage(NeutralCheck, {}), RAMP, spec, job)
    all_ways = [
        check(RAMP, SRGB, canvas, conversion={"precision": "exact", **way})
        for way in (
            {"intent": "perceptual"},
            {"intent": "relative colorimetric"},
            {"rendering": "refined"},
            {"rendering": "detail"},
        )
    ]
    names = ["perceptual", "relative colorimetric", "refined", "detail"]
    assert names == findings["intents"]
    assert findings["worst_cast"] == max(
        (each["worst_cast"] for each in all_ways), key=lambda cast: cast["chroma"]
    )


def test_the_pixels_of_the_conversion_itself_have_the_cast_that_is_reported():
    book = demo_printer("coated-book", "2.4")
    for precision in ("exact", "fine", "fast"):
        conversion = {"intent": "relative colorimetric", "precision": precision}
        worst = check(RAMP, SRGB, book, conversion=conversion)["worst_cast"]
        delivered = Transform(SRGB, book, precision=Precision(precision)).apply(RAMP)
        lab = to_lab(book, delivered)
        chroma = np.hypot(lab[..., 1], lab[..., 2]).max()
        assert worst["chroma"] == pytest.approx(chroma, abs=0.006), precision


def test_without_a_profile_nobody_knows_what_is_neutral():
    spec = spec_of(RAMP, None, encoding=Encoding.RGB)
    with pytest.raises(Hold, match="no colour profile"):
        make_stage(NeutralCheck, {}).open(spec, job_of(spec))
