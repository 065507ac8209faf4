"""Resampling against analytic patterns: what is known of them does not come from this program."""

import numpy as np
import pytest
import pyvips
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy import ndimage
from scipy.special import ndtr

from hotfolder.colour.encodings import lab_to_xyz
from hotfolder.colour.engine import to_lab
from hotfolder.colour.profile import lab_profile
from hotfolder.colour.tone import tone_of
from hotfolder.testing import make_stage, run_stage
from hotfolder_stages.sizing import Sizing
from hotfolder_stages.sizing.back_projection import half_kernel
from reference.devices import demo_printer, libvips
from reference.edges import mtf_of_slanted_edge
from stages.driving import GREY, SRGB, WIDE_RGB, spec_of

RNG = np.random.default_rng(23)
LIGHT = tone_of(GREY).curves[0]


def resized(pixels, width, height, profile=SRGB, rows=50, alpha=None):
    spec = spec_of(pixels, profile, has_alpha=alpha is not None)
    values = {"width": f"{width} px", "height": f"{height} px"}
    return run_stage(make_stage(Sizing, values), pixels, spec, None, rows, alpha)


def in_light(share):
    """A grey picture that gives these shares of light."""
    return LIGHT.encode(np.asarray(share, np.float32))[..., None]


def zone_plate(size):
    """Rings whose frequency grows from 0 in the middle to 1/2 cycle a pixel at the sides."""
    place = np.arange(size) - (size - 1) / 2
    squared = place[:, None] ** 2 + place[None, :] ** 2
    return 0.5 + 0.45 * np.cos(np.pi * squared / size)


def test_a_zone_plate_keeps_what_fits_and_makes_no_rings_of_what_does_not():
    """To a third. The half circle within which frequencies fit, to 0.4 of the new limit, keeps its
    contrast to 5 %; beyond 1.5 times the limit at most 1/20 of the contrast is left as aliases
    (without a filter, all of it would be)."""
    size = 600
    out, *_ = resized(in_light(zone_plate(size)), size // 3, size // 3, GREY)
    light = LIGHT.decode(out[..., 0])
    place = np.arange(size // 3) * 3 + 1 - (size - 1) / 2
    radius = np.hypot(place[:, None], place[None, :])
    limit = size / 2 / 3  # the ring with half a cycle to a new pixel
    kept = radius < 0.4 * limit
    expected = 0.5 + 0.45 * np.cos(np.pi * radius**2 / size)
    assert 1.0 == pytest.approx(np.std(light[kept]) / np.std(expected[kept]), abs=0.05)
    gone = (radius > 1.5 * limit) & (radius < 0.95 * size / 2)
    assert np.std(light[gone]) < np.std(expected[gone]) / 20
    assert 0.5 == pytest.approx(light[gone].mean(), abs=0.005)


def test_a_slanted_edge_is_as_sharp_as_libvips_makes_it():
    """ISO 12233's method, on an edge at 5 degrees blurred by a Gaussian of sigma 1.2 px, reduced
    to half in light. Ours bounds ringing, so it may keep less than Lanczos' kernel alone: at most
    0.04 of the contrast less up to 0.4 cycles a pixel, nowhere more than 0.02 above."""
    rows, columns = np.mgrid[:400, :400]
    distance = (columns - 200) * np.cos(np.radians(5)) + (rows - 200) * np.sin(np.radians(5))
    share = 0.1 + 0.7 * ndtr(distance / 1.2)
    out, *_ = resized(in_light(share), 200, 200, GREY)
    ours = mtf_of_slanted_edge(LIGHT.decode(out[..., 0]).astype(float), 5)
    theirs = mtf_of_slanted_edge(
        pyvips.Image.new_from_array(share.astype(np.float32))
        .resize(0.5, kernel="lanczos3")
        .numpy(),
        5,
    )
    frequencies = np.array([0.05, 0.1, 0.2, 0.3, 0.4])
    assert (ours(frequencies) >= theirs(frequencies) - 0.04).all()
    assert (ours(frequencies) <= theirs(frequencies) + 0.02).all()
    assert ours(0.2) > 0.6


@pytest.mark.parametrize("profile", [SRGB, WIDE_RGB], ids=["srgb", "wide"])
@pytest.mark.parametrize("size", [(23, 17), (71, 40), (90, 90), (301, 200)])
def test_a_picture_has_no_rim_at_its_edges(profile, size):
    """A flat picture with a dark object in its middle: the outermost pixels stay as they were."""
    pixels = np.full((60, 90, 3), (50000, 42000, 36000), np.uint16)
    pixels[25:35, 40:50] = 3000
    out, *_ = resized(pixels, *size, profile)
    rim = np.concatenate([out[0], out[-1], out[:, 0], out[:, -1]])
    assert [(50000, 42000, 36000)] == [tuple(row) for row in np.unique(rim, axis=0).tolist()]


@pytest.mark.parametrize("factor", [2, 4, 8])
def test_a_checkerboard_is_half_the_light_at_every_reduction(factor):
    """IEC 61966-2-1: half the light is sRGB 187.516, 48192 of 65535."""
    pixels = np.zeros((128, 128, 3), np.uint16)
    pixels[::2, ::2] = pixels[1::2, 1::2] = 65535
    out, *_ = resized(pixels, 128 // factor, 128 // factor)
    inside = out[3:-3, 3:-3] if factor < 8 else out[2:-2, 2:-2]
    np.testing.assert_allclose(inside, 48192, atol=130)  # half of an 8-bit step


INKS = [("cyan", 0, 0), ("magenta", 1, 1), ("yellow", 2, 2), ("black", 3, 1)]


@pytest.mark.parametrize(
    "make", [lambda: libvips("cmyk"), lambda: demo_printer("coated-book", "2.4")]
)
@pytest.mark.parametrize(
    ("ink", "tristimulus"), [each[1:] for each in INKS], ids=[i[0] for i in INKS]
)
def test_a_checkerboard_of_ink_and_paper_is_half_of_their_light(make, ink, tristimulus):
    """An ink spreads: half of its code covers more than half (dot gain), so the mean of two codes
    is too dark, by 14 L* for the black of a usual press. What is expected is the mean of what
    LittleCMS says of paper and solid: of X for cyan, Y for magenta and black, Z for yellow."""
    profile = make()
    pixels = np.zeros((64, 64, 4), np.uint16)
    pixels[::2, ::2, ink] = pixels[1::2, 1::2, ink] = 65535
    out, *_ = resized(pixels, 16, 16, profile)
    before = lab_to_xyz(to_lab(profile, pixels))[..., tristimulus]
    after = lab_to_xyz(to_lab(profile, out[4:-4, 4:-4]))[..., tristimulus]
    np.testing.assert_allclose(after, before.mean(), rtol=0.01)


@pytest.mark.parametrize("shift", [0.0, 0.3, 0.7])
@pytest.mark.parametrize("width", [45, 60, 150, 333])
def test_an_edge_of_any_softness_is_not_overshot(width, shift):
    """The kernel alone overshoots a step by 7 % (its integral); the stated bound is none."""
    place = np.arange(120) - 59.5 - shift
    for sigma in (0.05, 0.5, 1.0, 2.0):
        row = np.rint(20000 + 25000 * ndtr(place / sigma)).astype(np.uint16)
        pixels = np.repeat(np.repeat(row[None, :, None], 60, 0), 3, 2)
        out, *_ = resized(pixels, width, width // 2)
        assert row.min() <= out.min()
        assert out.max() <= row.max()


def enlarged_by_pillow(plane, width, height):
    """Second opinion: Pillow's Lanczos on one float channel."""
    image = Image.fromarray(np.asarray(plane, np.float32))
    return np.asarray(image.resize((width, height), Image.Resampling.LANCZOS))


def response(weights, frequencies):
    """What a symmetric kernel, from its centre, makes of waves."""
    beside = np.arange(1, len(weights))
    waves = np.cos(2 * np.pi * np.outer(frequencies, beside))
    return weights[0] + 2 * waves @ np.asarray(weights[1:], float)


@pytest.mark.parametrize("factor", [2, 3, 4])
def test_the_correction_has_the_response_of_two_rounds_of_back_projection(factor):
    """What an enlargement loses is measured on Pillow's, reduced again by Pillow. From half the
    highest frequency on it is rounding that grows, so there the correction may stay below."""
    impulse = np.zeros((1, 61), np.float32)
    impulse[0, 30] = 1
    again = enlarged_by_pillow(enlarged_by_pillow(impulse, 61 * factor, 1), 61, 1)[0]
    lost = response(again[30:45], frequencies := np.linspace(0, 0.5, 65))
    rounds = 3 - 3 * lost + lost**2
    made = response(half_kernel(61, 61 * factor), frequencies)
    np.testing.assert_allclose(made[:49], rounds[:49], atol=0.035)
    assert (made <= rounds + 0.035).all()


def test_near_the_same_size_there_is_less_to_give_back():
    rises = [response(half_kernel(100, size), [0.5])[0] for size in (90, 100, 101, 150, 200, 800)]
    assert [1.0, 1.0] == rises[:2]
    assert 1.0 < rises[2] < rises[3] < rises[4] == rises[5]


def texture(size, contrast, seed=5):
    """A grey texture whose finest detail a lens has softened by 0.6 pixels."""
    values = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=(size, size)), 0.6)
    return 0.5 + contrast * values / values.std()


@pytest.mark.parametrize("factor", [2, 3, 4])
def test_an_enlarged_texture_that_is_reduced_again_is_what_it_was(factor):
    """Back-projection's own measure: with Lanczos alone, twice as much is lost."""
    small = np.rint(texture(96, 0.06) * 65535).astype(np.uint16)[..., None]
    out, *_ = resized(small, 96 * factor, 96 * factor, None)
    again = enlarged_by_pillow(out[..., 0], 96, 96)
    plain = enlarged_by_pillow(enlarged_by_pillow(small[..., 0], 96 * factor, 96 * factor), 96, 96)
    inside = np.s_[8:-8, 8:-8]
    lost, without = (np.std((each - small[..., 0])[inside]) for each in (again, plain))
    assert lost < 0.55 * without


def test_an_enlarged_texture_keeps_its_light():
    """Grey of gamma 2.2, contrast of 12 % of full scale: to 0.3 % of its light (Lanczos alone loses
    0.5 %)."""
    small = np.rint(texture(160, 0.12).clip(0, 1) * 65535).astype(np.uint16)[..., None]
    before = LIGHT.decode(small[..., 0])[8:-8, 8:-8].mean()
    for factor in (2, 4):
        out, *_ = resized(small, 160 * factor, 160 * factor, GREY)
        light = LIGHT.decode(out[..., 0])[8 * factor : -8 * factor, 8 * factor : -8 * factor]
        assert light.mean() / before == pytest.approx(1, abs=0.003)


@pytest.mark.parametrize("factor", [2, 4])
def test_an_enlarged_edge_is_as_sharp_as_its_lens_left_it(factor):
    """ISO 12233's method on an edge that a lens has softened by 0.4 px and square pixels have
    sampled: as much contrast as that has, to 3 %, at 0.2 to 0.5 cycles per pixel of the original
    (Lanczos alone loses 5 % at 0.4 and 7 % at 0.5), with a rim of 1/3 % of its height."""
    rows, columns = np.mgrid[:1440, :1440] / 12 - (59.5 + 11 / 24)
    distance = columns * np.cos(np.radians(5)) + rows * np.sin(np.radians(5))
    share = ndtr(distance / 0.4).reshape(120, 12, 120, 12).mean((1, 3))
    small = np.rint(20000 + 30000 * share).astype(np.uint16)[..., None]
    out, *_ = resized(small, 120 * factor, 120 * factor, None)
    frequencies = np.linspace(0.2, 0.5, 31)
    before = mtf_of_slanted_edge(small[..., 0].astype(float), 5)(frequencies)
    after = mtf_of_slanted_edge(out[..., 0].astype(float), 5)(frequencies / factor)
    assert (after >= before - 0.03).all()
    assert 19900 <= out.min()
    assert out.max() <= 50100


@pytest.mark.parametrize("factor", [2, 3])
@pytest.mark.parametrize("degrees", [5, 20, 45])
def test_a_slanted_step_is_hardly_overshot(factor, degrees):
    """Back-projection by itself overshoots it by 14 %: at most 2 % of its height."""
    rows, columns = np.mgrid[:240, :240] / 4 - 29.8
    angle = np.radians(degrees)
    share = (columns * np.cos(angle) + rows * np.sin(angle) > 0).reshape(60, 4, 60, 4)
    small = np.rint(20000 + 30000 * share.mean((1, 3))).astype(np.uint16)[..., None]
    out, *_ = resized(small, 60 * factor, 60 * factor, None)
    assert 20000 - 600 <= out.min()
    assert out.max() <= 50000 + 600


def test_an_enlargement_is_pillows_lanczos_on_what_a_lens_leaves():
    """Second opinion: Pillow, on noise through a Gaussian of 1.5 px that SciPy has corrected by
    the kernel of `back_projection`. Ours cuts what rings: 1 % of full scale at 99 of 100 places.
    libvips enlarges with a cubic kernel, see the stage's own tests."""
    smooth = ndimage.gaussian_filter(RNG.normal(0, 1, (96, 128, 3)), (1.5, 1.5, 0), mode="wrap")
    pixels = (32768 + 9000 * smooth / smooth.std()).clip(0, 65535).astype(np.uint16)
    out, *_ = resized(pixels, 320, 240)
    half = half_kernel(128, 320)
    corrected = pixels.astype(np.float64)
    for axis in (0, 1):
        whole = np.concatenate([half[:0:-1], half])
        corrected = ndimage.correlate1d(corrected, whole, axis, mode="nearest")
    lanczos = [enlarged_by_pillow(corrected[..., each], 320, 240) for each in range(3)]
    difference = np.abs(out - np.stack(lanczos, -1)) / 65535
    assert np.median(difference) < 1.5 / 65535
    assert np.percentile(difference, 99) < 0.01


@given(
    st.integers(1, 50),
    st.integers(1, 50),
    st.integers(1, 90),
    st.integers(1, 90),
    st.integers(1, 60),
    st.sampled_from([SRGB, GREY, lab_profile(), None]),
    st.booleans(),
    st.booleans(),
)
@settings(max_examples=80)
def test_the_height_of_bands_leaves_no_trace(
    height, width, out_height, out_width, rows, profile, with_alpha, eight_bits
):
    """Any size, 8 and 16 bits, one to four channels, with and without alpha."""
    channels = profile.encoding.channels if profile else 4
    pixels = RNG.integers(0, 65536, (height, width, channels), np.uint16)
    alpha = RNG.integers(0, 65536, (height, width), np.uint16) if with_alpha else None
    if eight_bits:
        pixels = (pixels >> 8) * np.uint16(257)
    spec = spec_of(pixels, profile, has_alpha=with_alpha)
    values = {"width": f"{out_width} px", "height": f"{out_height} px", "mode": "cover"}
    made = [
        run_stage(make_stage(Sizing, values), pixels, spec, None, each, alpha)
        for each in (height, rows)
    ]
    np.testing.assert_array_equal(made[0][0], made[1][0])
    if with_alpha:
        np.testing.assert_array_equal(made[0][3], made[1][3])


@pytest.mark.parametrize(("width", "height"), [(333, 240), (700, 500)])
def test_the_blocks_of_the_work_leave_no_trace(monkeypatch, width, height):
    """In blocks of a few rows as in one: the same, to the last bit."""
    pixels = RNG.integers(0, 65536, (350, 490, 3), np.uint16)
    whole, *_ = resized(pixels, width, height)
    monkeypatch.setattr("hotfolder_stages.sizing._BLOCK_PX", 20_000)
    parts, *_ = resized(pixels, width, height)
    np.testing.assert_array_equal(whole, parts)


def test_half_transparent_edges_keep_their_colour():
    """Premultiplied mixing: a soft disc of one colour keeps that colour wherever it is seen."""
    rows, columns = np.mgrid[:80, :80]
    share = np.clip(20 - np.hypot(rows - 40, columns - 40), 0, 1)
    pixels = RNG.integers(0, 65536, (80, 80, 3), np.uint16)
    pixels[share > 0] = (40000, 20000, 10000)
    for size in (31, 200):
        out, _, _, alpha = resized(
            pixels, size, size, alpha=np.rint(share * 65535).astype(np.uint16)
        )
        seen = alpha > 6000
        assert seen.sum() > 100
        np.testing.assert_allclose(out[seen], [(40000, 20000, 10000)] * seen.sum(), atol=3)
