"""Output sharpening: how wide, how strong, and nothing but lightness."""

from concurrent.futures import ThreadPoolExecutor

import imagecodecs
import numpy as np
import pytest
import pyvips
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy import ndimage
from scipy.special import ndtr

from hotfolder import Encoding, Hold
from hotfolder.colour.profile import Profile, lab_profile
from hotfolder.colour.tone import tone_of
from hotfolder.model.destination import Surface
from hotfolder.testing import make_stage, run_stage
from hotfolder_stages.output_sharpening import OutputSharpening, strength
from hotfolder_stages.output_sharpening.adding import AddedLightness
from hotfolder_stages.output_sharpening.detail import DetailFilter
from hotfolder_stages.output_sharpening.matrix_rgb import roots_of
from stages.driving import GREY, SRGB, WIDE_RGB, job_of, spec_of

RNG = np.random.default_rng(11)


def lab_of(codes, profile=SRGB):
    """Second opinion on colours: LittleCMS, unoptimised, relative colorimetric, D50."""
    names = {Encoding.RGB: "rgb", Encoding.GREY: "gray", Encoding.CMYK: "cmyk"}
    encoded = imagecodecs.cms_transform(
        codes,
        profile.data,
        lab_profile().data,
        colorspace=names[profile.encoding],
        outcolorspace="lab",
        intent=1,
        flags=0x100,
    ).astype(float)
    return encoded * [100 / 65535, 1 / 257, 1 / 257] - [0, 128, 128]


def noise(height=60, width=80, channels=3):
    return RNG.integers(0, 65536, (height, width, channels), np.uint16)


def edge(left, right, height=60, width=80):
    pixels = np.empty((height, width, len(left)), np.uint16)
    pixels[:, : width // 2], pixels[:, width // 2 :] = left, right
    return pixels


def sharpened(pixels, profile=SRGB, job=None, rows=7, **values):
    spec = spec_of(pixels, profile)
    return run_stage(make_stage(OutputSharpening, values), pixels, spec, job or job_of(spec), rows)


# sigma = 0.0004 * distance, in pixels of the print: common practice, computed by hand.
@pytest.mark.parametrize(
    ("distance_mm", "ppi", "radius_px"),
    [(300, 300, 1.42), (317.5, 300, 1.50), (400, 300, 1.89), (500, 300, 2.36), (700, 240, 2.65)],
)
def test_the_radius_is_a_fixed_angle_of_the_viewing_distance(distance_mm, ppi, radius_px):
    assert radius_px == pytest.approx(strength.radius_px(distance_mm, ppi), abs=0.005)


def test_the_radius_is_bounded_at_both_ends():
    assert 0.5 == strength.radius_px(300, 72)
    assert 8.0 == strength.radius_px(700, 2000)


@pytest.mark.parametrize("distance_mm", [250, 500, 2000, 10000])
@pytest.mark.parametrize("ppi", [100, 150, 300])
def test_a_halo_is_never_wider_than_a_fiftieth_of_an_inch(distance_mm, ppi):
    """The width in which a step's halo falls to a tenth of its height, measured."""
    radius = strength.radius_px(distance_mm, ppi)
    distance_px = np.linspace(0, 40, 4001)
    halo = 1 - ndtr(distance_px / radius)
    width_px = distance_px[np.argmax(halo < 0.05)]
    assert width_px <= max(ppi / 50, 0.5 * strength.HALO_PER_RADIUS) + 0.02


@pytest.mark.parametrize(("distance_mm", "ppi"), [(350, 300), (500, 96), (2000, 150)])
def test_rough_surfaces_are_sharpened_more(distance_mm, ppi):
    amounts = [
        strength.strength(strength.spread_mm(surface), distance_mm, ppi).amount
        for surface in (
            Surface.CANVAS,
            Surface.NEWSPRINT,
            Surface.MATTE,
            Surface.LUSTRE,
            Surface.GLOSS,
            Surface.SCREEN,
        )
    ]
    assert sorted(set(amounts), reverse=True) == amounts
    assert {surface.value for surface in Surface} == set(strength._SPREADS_MM)


def test_from_far_away_there_is_less_to_give_back():
    amounts = [strength.strength(0.16, distance, 150).amount for distance in (500, 1000, 2000)]
    assert sorted(amounts, reverse=True) == amounts


@pytest.mark.parametrize("profile", [SRGB, WIDE_RGB], ids=["srgb", "wide"])
@pytest.mark.parametrize("value", [0, 1, 9000, 40001, 65535])
def test_a_flat_field_is_unchanged_to_the_last_bit(profile, value):
    pixels = np.full((60, 80, 3), (value, value // 2, value // 3), np.uint16)
    for values in ({}, {"noise": 0.0}):
        out, _, findings, _ = sharpened(pixels, profile, **values)
        np.testing.assert_array_equal(pixels, out)
        assert 1.0 == findings["left_alone_share"]


def test_a_smooth_sky_is_unchanged_to_the_last_bit():
    ramp = np.linspace(20000, 50000, 80).astype(np.uint16)
    pixels = np.broadcast_to(ramp[None, :, None], (60, 80, 3)).copy()
    out, *_ = sharpened(pixels)
    np.testing.assert_array_equal(pixels[:, 10:-10], out[:, 10:-10])


def test_faint_noise_is_left_alone_and_an_edge_in_it_is_not():
    pixels = edge((30000,) * 3, (40000,) * 3)
    pixels += RNG.integers(0, 300, pixels.shape[:2], np.uint16)[..., None]  # about 0.2 L*
    out, *_ = sharpened(pixels)
    np.testing.assert_array_equal(pixels[:, :25], out[:, :25])
    assert (out[:, 40] > pixels[:, 40]).all()
    assert (out[:, 39] < pixels[:, 39]).all()


@pytest.mark.parametrize("profile", [SRGB, WIDE_RGB], ids=["srgb", "wide"])
@pytest.mark.parametrize("rows", [1, 13, 60])
def test_the_height_of_the_bands_changes_no_pixel(profile, rows):
    pixels = noise()
    np.testing.assert_array_equal(
        sharpened(pixels, profile)[0], sharpened(pixels, profile, rows=rows)[0]
    )


def test_a_neutral_edge_stays_neutral():
    out, *_ = sharpened(edge((15000,) * 3, (45000,) * 3), amount=2.0)
    lab = lab_of(out)
    assert np.ptp(lab[..., 0]) > np.ptp(lab_of(edge((15000,) * 3, (45000,) * 3))[..., 0]) + 5
    assert np.abs(lab[..., 1:]).max() < 0.5


@pytest.mark.parametrize("profile", [SRGB, WIDE_RGB], ids=["srgb", "wide"])
def test_edges_between_colours_move_in_lightness_only(profile):
    """dCh = sqrt(da*^2 + db*^2) (ISO 13655) of every pixel, before and after, is at most 0.5."""
    pixels = np.concatenate(
        [
            edge((20000, 33000, 26000), (42000, 30000, 24000)),
            edge((16000, 17000, 30000), (45000, 42000, 50000)),
        ]
    )
    out, *_ = sharpened(pixels, profile, amount=1.5)
    before, after = lab_of(pixels, profile), lab_of(out, profile)
    assert np.abs(after[..., 0] - before[..., 0]).max() > 3
    assert np.hypot(*np.moveaxis(after - before, -1, 0)[1:]).max() < 0.5


def test_colours_at_the_edge_of_the_gamut_keep_their_hue():
    pixels = edge((65535, 9000, 0), (22000, 3000, 0))
    out, *_ = sharpened(pixels, amount=2.0)
    before, after = lab_of(pixels), lab_of(out)
    angle = np.degrees(np.arctan2(*np.moveaxis(after, -1, 0)[:0:-1]))
    expected = np.degrees(np.arctan2(*np.moveaxis(before, -1, 0)[:0:-1]))
    assert np.abs(angle - expected).max() < 1.0


def test_what_is_added_to_a_step_is_what_the_gaussian_leaves():
    """A step of height h, sigma s: h * amount * (1 - k0) / 2 beside it, k0 the kernel's centre;
    as the geometric mean of both sides, of which the dark one gets more."""
    sigma, height_l = 1.5, 8.0
    lightness = np.full((41, 80), 40.0, np.float32)
    lightness[:, 40:] += height_l
    kernel = np.exp(-0.5 * (np.arange(-6, 7) / sigma) ** 2)
    expected = height_l * 0.8 * (1 - kernel.max() / kernel.sum()) / 2
    adding = AddedLightness(DetailFilter(sigma, 0.8, 0.0, 0.0, 100.0), 41, 80)
    with ThreadPoolExecutor(1) as threads:
        added = adding.push(lightness, threads)
    assert expected == pytest.approx(np.sqrt(added[20].max() * -added[20].min()), rel=0.03)
    assert added[20].max() < -added[20].min() < 1.5 * expected
    assert (0, 1.0) == (adding.limited, pytest.approx(adding.applied, abs=0.01))


@pytest.mark.parametrize(("low", "high"), [(5, 95), (20, 80), (30, 70), (45, 57)])
def test_an_edge_gains_no_light(low, high):
    """What the bright side is given the dark side gives, to 0.1 % of the picture's light (the
    limit alone: 0.2 to 1.2 %)."""
    lightness = np.full((64, 128), low, np.float32)
    lightness[:, 64:] = high
    adding = AddedLightness(DetailFilter(1.65, 1.5, 0.5, 1.5, 10.0), *lightness.shape)
    with ThreadPoolExecutor(1) as threads:
        added = adding.push(lightness, threads)
    before, after = light_of(lightness), light_of(lightness + added)
    assert np.abs(added).max() > 3
    assert before.mean() == pytest.approx(after.mean(), rel=0.001)


def light_of(lightness):
    """Y of L* (CIE 15:2018, 8.2.1)."""
    held = np.clip(lightness.astype(float), 0, 100)
    return np.where(held > 8, ((held + 16) / 116) ** 3, held * 27 / 24389)


@pytest.mark.parametrize("ground", [0.0, 0.01, 0.05, 0.18])
def test_a_point_of_light_keeps_its_light(ground):
    """A star as a lens makes it, to 6 % of its own light (with the limit alone it gained 41 %)."""
    light = np.zeros((81, 81))
    light[40, 40] = 1
    light = ndimage.gaussian_filter(light, 0.8)
    light = (ground + light * (0.6 / light.max()) * (1 - ground)).astype(np.float32)
    curve = tone_of(GREY).curves[0]
    pixels = curve.encode(light)[..., None]
    spec = spec_of(pixels, GREY, ppi=300.0)
    out, *_ = run_stage(
        make_stage(OutputSharpening, {}), pixels, spec, job_of(spec, "canvas", "350 mm")
    )
    before, after = curve.decode(pixels[..., 0]), curve.decode(out[..., 0])
    own = (before - before[0, 0]).sum()
    assert 0 == pytest.approx((after - before).sum() / own, abs=0.06)


def test_a_field_of_stars_keeps_its_light():
    """To 3 % (with the limit alone it gained 27 %)."""
    stars = (np.random.default_rng(3).random((300, 300)) < 0.002).astype(float)
    light = np.clip(0.002 + 4 * ndimage.gaussian_filter(stars, 0.9), 0, 1).astype(np.float32)
    curve = tone_of(GREY).curves[0]
    pixels = curve.encode(light)[..., None]
    out, *_ = sharpened(pixels, GREY, amount=1.5)
    assert curve.decode(pixels).mean() == pytest.approx(curve.decode(out).mean(), rel=0.03)


@pytest.mark.parametrize("size", [(61, 83), (64, 96), (130, 67)])
def test_a_turned_picture_is_sharpened_the_same(size):
    """Mirrored to the last bit; with rows and columns exchanged to a level of 16 bits."""
    grain = ndimage.gaussian_filter(RNG.normal(size=size), 1.2)
    pixels = (30000 + 9000 * grain / grain.std()).clip(0, 65535).astype(np.uint16)[..., None]
    out, *_ = sharpened(pixels, GREY, amount=1.5)
    for axis in (0, 1):
        turned, *_ = sharpened(np.flip(pixels, axis).copy(), GREY, amount=1.5)
        np.testing.assert_array_equal(out, np.flip(turned, axis))
    turned, *_ = sharpened(pixels.transpose(1, 0, 2).copy(), GREY, amount=1.5)
    difference = turned.transpose(1, 0, 2).astype(int) - out.astype(int)
    assert np.abs(difference).max() <= 1


def test_no_halo_is_higher_than_the_limit():
    pixels = edge((12000,) * 3, (52000,) * 3)
    out, _, findings, _ = sharpened(pixels, amount=3.0, halo_limit=4.0)
    moved = lab_of(out)[..., 0] - lab_of(pixels)[..., 0]
    assert moved.max() <= 4.02
    assert -4.0 == pytest.approx(moved.min(), abs=0.02)
    assert 0 < findings["capped_share"] < 0.1
    assert 4.0 == findings["halo_limit_l"]


def test_findings_say_what_was_done_and_why():
    spec = spec_of(noise(), SRGB, ppi=300.0)
    _, _, findings, _ = run_stage(
        make_stage(OutputSharpening, {}), noise(), spec, job_of(spec, "canvas", "317.5 mm")
    )
    assert (1.5, 2.223, "canvas", 300.0, 317.5, False) == tuple(
        findings[key]
        for key in (
            "radius_px",
            "amount",
            "surface",
            "ppi",
            "viewing_distance_mm",
            "ppi_assumed",
        )
    )
    assert (0.16, 1.03) == (
        findings["spread_mm"],
        pytest.approx(findings["meant_share"], abs=0.001),
    )
    assert "exact, a* and b* kept" == findings["method"]


def test_settings_override_the_rules():
    _, _, findings, _ = sharpened(noise(), amount=0.3, radius_px=2.5)
    assert (2.5, 0.3) == (findings["radius_px"], findings["amount"])


def test_grain_is_left_alone_and_edges_and_branches_in_it_are_not():
    """Grain of 0.7 L*, more than is always taken for noise: 99 of 100 pixels stay as they are."""
    grain = np.random.default_rng(5).normal(0, 450, (160, 240))  # 38 of 40 seeds do
    pixels = np.full((160, 240), 30000.0)
    pixels[:, 120:] = 42000
    pixels[60:63, 20:100] = 20000
    pixels = np.repeat((pixels + grain).astype(np.uint16)[..., None], 3, axis=2)
    out, *_ = sharpened(pixels, amount=1.0)
    moved = np.abs(lab_of(out)[..., 0] - lab_of(pixels)[..., 0])
    quiet = moved[90:, 10:100]
    assert (quiet == 0).mean() >= 0.99
    assert moved[20:40, 119:121].mean() > 2.0
    assert moved[61, 30:90].mean() > 2.0
    fixed, *_ = sharpened(pixels, amount=1.0, noise=0.3, most_noise=0.3)
    assert (fixed[90:, 10:100] == pixels[90:, 10:100]).mean() < 0.2


@pytest.mark.parametrize("levels", [450, 1200, 2500])
def test_uniform_noise_of_any_strength_is_left_alone(levels):
    """White noise of 0.7 to 4 L*: nothing else has as much detail as it has contrast."""
    left_alone, applied = [], []
    for seed in range(5):  # by chance one noise in a dozen has 1 to 3 % that is not left alone
        noisy = np.random.default_rng(seed).normal(0, levels, (160, 240)) + 32000
        pixels = np.repeat(noisy.clip(0, 65535).astype(np.uint16)[..., None], 3, axis=2)
        _, _, findings, _ = sharpened(pixels, amount=1.0)
        left_alone.append(findings["left_alone_share"])
        applied.append(findings["applied_amount_share"])
    assert np.mean(left_alone) > 0.99
    assert np.mean(applied) < 0.01


def test_an_even_texture_stronger_than_the_limit_is_sharpened():
    """Cloth, say: 4 L*, of detail that a lens has softened by 1.5 pixels."""
    texture = ndimage.gaussian_filter(RNG.normal(0, 1, (120, 160)), 1.5)
    texture = 32000 + 2500 * texture / texture.std()
    pixels = np.repeat(texture.astype(np.uint16)[..., None], 3, axis=2)
    _, _, findings, _ = sharpened(pixels, amount=1.0)
    assert findings["left_alone_share"] < 0.05
    assert findings["applied_amount_share"] > 0.25


def test_spread_can_be_measured_and_set():
    _, _, findings, _ = sharpened(noise(), spread="0.09 mm")
    job = job_of(spec_of(noise()), "matte")
    assert findings["amount"] == sharpened(noise(), job=job)[2]["amount"]


@given(
    st.integers(1, 70),
    st.integers(1, 50),
    st.integers(1, 80),
    st.sampled_from([0.5, 1.7, 4.0]),
    st.booleans(),
)
@settings(max_examples=40)
def test_any_picture_in_any_bands_is_sharpened_the_same(height, width, rows, radius, eight_bits):
    pixels = noise(height, width)
    if eight_bits:
        pixels = (pixels >> 8) * np.uint16(257)
    alpha = noise(height, width, 1)[..., 0]
    spec = spec_of(pixels, SRGB, has_alpha=True)
    values = {"amount": 1.0, "radius_px": radius}
    one, *_, alpha_one = run_stage(
        make_stage(OutputSharpening, values), pixels, spec, None, height, alpha
    )
    other, *_, alpha_other = run_stage(
        make_stage(OutputSharpening, values), pixels, spec, None, rows, alpha
    )
    np.testing.assert_array_equal(one, other)
    np.testing.assert_array_equal(alpha, alpha_one)
    np.testing.assert_array_equal(alpha, alpha_other)


def test_cores_leave_no_trace(monkeypatch):
    """Columns shared out among cores as by one, to the last bit, and so is what is counted."""
    squares = np.random.default_rng(3).integers(0, 65536, (8, 170, 3))
    pixels = np.kron(squares, np.ones((19, 19, 1))).astype(np.uint16)[:150, :3200]
    (whole, _, findings, *_), *others = [
        sharpened_by(cores, monkeypatch, pixels) for cores in (1, 2, 3, 16)
    ]
    assert min(findings["capped_share"], findings["applied_amount_share"]) > 0.05
    for made, _, said, *_ in others:
        np.testing.assert_array_equal(whole, made)
        assert findings == said


def sharpened_by(cores, monkeypatch, pixels):
    monkeypatch.setattr("hotfolder_stages.output_sharpening.adding.cpu_count", lambda: cores)
    return sharpened(pixels, amount=3.0, halo_limit=5.0)


def test_blocks_leave_no_trace(monkeypatch):
    """In blocks of 16 rows as in one, to the last bit."""
    pixels = noise(200, 90)
    whole, *_ = sharpened(pixels)
    monkeypatch.setattr("hotfolder_stages.output_sharpening.adding.rows_per_band", lambda *_: 16)
    parts, *_ = sharpened(pixels)
    np.testing.assert_array_equal(whole, parts)


def test_lightness_is_moved_by_exact_cube_roots():
    """Second opinion: numpy's cbrt in float64, CIE 15:2018, 8.2.1; to a ten-thousandth of L*."""
    light = np.concatenate([np.linspace(0, 1, 100_001), np.geomspace(1e-9, 1, 1000)])
    expected = np.where(light > (6 / 29) ** 3, np.cbrt(light), light / (3 * (6 / 29) ** 2) + 4 / 29)
    made = np.empty(light.shape, np.float32)
    roots_of(light.astype(np.float32), made)
    np.testing.assert_allclose(116 * made, 116 * expected, rtol=0, atol=1e-4)


def test_an_amount_of_nothing_passes_every_value_through():
    pixels = noise()
    np.testing.assert_array_equal(pixels, sharpened(pixels, amount=0.0)[0])


@pytest.mark.parametrize("values", [{"amount": -1}, {"radius_px": 0.1}, {"halo_limit": 0}])
def test_settings_out_of_range_are_refused(values):
    with pytest.raises(ValidationError):
        OutputSharpening.Settings.model_validate(values)


def test_a_picture_without_a_profile_is_held():
    pixels = noise()
    with pytest.raises(Hold) as hold:
        sharpened(pixels, None)
    assert hold.value.code == "no-profile"


def test_grey_is_sharpened_by_the_same_lightness_as_neutral_rgb():
    """Gamma 2.2 grey and gamma 563/256 RGB are alike to 0.1 L*."""
    grey = edge((15000,), (45000,))
    out, *_ = sharpened(grey, GREY)
    as_rgb, *_ = sharpened(np.repeat(grey, 3, axis=2), WIDE_RGB)
    np.testing.assert_allclose(out[..., 0], as_rgb[..., 0], atol=40)
    assert out.max() > 45500
    assert out.min() < 14000


def test_lab_changes_in_its_lightness_alone():
    pixels = edge((20000, 30000, 40000), (45000, 36000, 28000))
    out, *_ = sharpened(pixels, lab_profile())
    np.testing.assert_array_equal(pixels[..., 1:], out[..., 1:])
    assert out[..., 0].max() > 45500
    assert out[..., 0].min() < 19000


@pytest.fixture(scope="module")
def printers(profiles):
    return {name: Profile.load(profiles / name) for name in ("matte-canvas.icc", "coated-book.icc")}


def test_an_rgb_profile_of_tables_keeps_neutral_edges_neutral(printers):
    profile = printers["matte-canvas.icc"]
    pixels = edge((20000,) * 3, (45000,) * 3)
    out, _, findings, _ = sharpened(pixels, profile)
    before, after = lab_of(pixels, profile), lab_of(out, profile)
    assert np.abs(after[..., 0] - before[..., 0]).max() > 2
    assert np.ptp(out, axis=2).max() == 0
    assert "neutral axis" in findings["method"]


def test_cmyk_gets_no_ink_that_was_not_there(printers):
    profile = printers["coated-book.icc"]
    pixels = edge((0, 0, 0, 50000), (0, 0, 0, 12000))
    out, *_ = sharpened(pixels, profile)
    assert 0 == out[..., :3].max()
    moved = lab_of(out, profile)[..., 0] - lab_of(pixels, profile)[..., 0]
    assert moved[:, 39].max() < -1
    assert moved[:, 40].min() > 1


EDGES = {
    "black": ((0, 0, 0, 50000), (0, 0, 0, 15000)),
    "three inks": ((45000, 40000, 40000, 0), (20000, 15000, 13000, 0)),
    "four inks": ((45000, 40000, 40000, 20000), (20000, 15000, 13000, 3000)),
    "red": ((6500, 58000, 58000, 1300), (0, 20000, 20000, 0)),
}


@pytest.mark.parametrize("edge_of", EDGES)
@pytest.mark.parametrize("printer", ["coated-book", "usual press"])
def test_a_halo_of_inks_is_no_stronger_than_the_limit(printers, printer, edge_of):
    """`halo_limit` is in L*, as LittleCMS says it of the codes; an ink spreads, so light falls
    with its code as the profile says, and not in proportion."""
    usual = Profile.parse(bytes(pyvips.Image.profile_load("cmyk")))
    profile = usual if printer == "usual press" else printers["coated-book.icc"]
    pixels = edge(*EDGES[edge_of])
    out, *_ = sharpened(pixels, profile, amount=3)
    moved = lab_of(out, profile)[..., 0] - lab_of(pixels, profile)[..., 0]
    assert np.abs(moved).max() < 10.5
    assert moved.min() < -2
