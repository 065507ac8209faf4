"""Sizing: how many pixels, and which."""

import numpy as np
import pytest
import pyvips
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from pydantic import ValidationError

from hotfolder.colour.tone import tone_of
from hotfolder.errors import Hold
from hotfolder.stages.messages import Cropped
from hotfolder.testing import cut, make_stage, run_stage
from hotfolder_stages.sizing import Sizing
from hotfolder_stages.sizing.geometry import Box, plan
from hotfolder_stages.sizing.resample import Kernel
from stages.driving import SRGB, WIDE_RGB, job_of, spec_of

RNG = np.random.default_rng(7)


def noise(height, width, channels=3):
    return RNG.integers(0, 65536, (height, width, channels), np.uint16)


def photograph(height, width, channels=3, grain_px=8):
    """Noise without detail finer than its grain, as a lens leaves it."""
    size = (height // grain_px + 1, width // grain_px + 1, channels)
    small = RNG.random(size).astype(np.float32)
    planes = [
        np.asarray(Image.fromarray(small[..., c]).resize((width, height), Image.Resampling.BICUBIC))
        for c in range(channels)
    ]
    return (np.clip(np.stack(planes, -1), 0, 1) * 65535).astype(np.uint16)


# ISO 216 A4 and common sizes: px = round(mm / 25.4 * ppi), computed by hand.
@pytest.mark.parametrize(
    ("side", "ppi", "px"),
    [
        ("210 mm", 300, 2480),
        ("297 mm", 300, 3508),
        ("400 mm", 300, 4724),
        ("60 cm", 240, 5669),
        ("900 mm", 180, 6378),
        ("216 mm", 300, 2551),
        ("60 in", 240, 14400),
        ("2048 px", None, 2048),
    ],
)
def test_a_length_becomes_the_nearest_whole_number_of_pixels(side, ppi, px):
    settings = {"long_edge": side} | ({"ppi": ppi} if ppi else {})
    stage = make_stage(Sizing, settings)
    pixels = np.zeros((2, 4, 3), np.uint16)
    assert px == stage.open(spec_of(pixels), job_of(spec_of(pixels))).width_px


@pytest.mark.parametrize(
    ("box", "mode", "enlarge", "scaled", "result"),
    [
        (Box(long_px=300), "inside", True, (300, 200), (300, 200)),
        (Box(short_px=300), "inside", True, (450, 300), (450, 300)),
        (Box(width_px=300), "inside", True, (300, 200), (300, 200)),
        (Box(height_px=300), "inside", True, (450, 300), (450, 300)),
        (Box(300, 300), "inside", True, (300, 200), (300, 200)),
        (Box(300, 300), "cover", True, (450, 300), (300, 300)),
        (Box(300, 300), "exact", True, (300, 200), (300, 300)),
        (Box(1200, 1200), "inside", False, (600, 400), (600, 400)),
        (Box(1200, 300), "cover", False, (600, 400), (600, 300)),
        (Box(1200, 1200), "exact", False, (600, 400), (1200, 1200)),
        (Box(long_px=301), "inside", True, (301, 201), (301, 201)),  # 200.67
        (Box(long_px=3), "inside", True, (3, 2), (3, 2)),
        (Box(long_px=1), "inside", True, (1, 1), (1, 1)),
    ],
)
def test_a_picture_of_600_by_400_fits_as_the_mode_says(box, mode, enlarge, scaled, result):
    made = plan(600, 400, box, mode, enlarge=enlarge)
    assert (scaled, result) == (
        (made.scaled_width_px, made.scaled_height_px),
        (made.width_px, made.height_px),
    )


def test_the_long_edge_of_an_upright_picture_is_its_height():
    made = plan(400, 600, Box(long_px=300), "inside", enlarge=True)
    assert (200, 300) == (made.width_px, made.height_px)


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"paper": "A3", "height": "2 m", "ppi": 300}, "one of long_edge, short_edge, paper"),
        ({"paper": "A3"}, "ppi as well"),
        ({"paper": "A11", "ppi": 300}, 'as in "A3" or "A4 landscape"'),
        ({"width": "300 px", "turn": True}, "both width and height with turn = true"),
        ({"paper": "A3", "ppi": 300, "native_ppi": [360]}, "ppi or native_ppi, not both"),
        ({"long_edge": "300 px", "native_ppi": [360]}, "a size in mm, cm, m, in or ft"),
        ({"paper": "A3", "ppi": 9, "bleed": "3 mm", "wrap": "4 cm"}, "bleed or wrap, not both"),
        ({"long_edge": "300 px", "wrap": "40 mm"}, "ppi as well"),
        ({"paper": "A3", "ppi": 9, "border_colour": "grey"}, 'as in "#f4efe6"'),
        ({"paper": "A3", "ppi": 9, "anchor": "middle"}, "'centre', 'top'"),
        ({"long_edge": "60 in", "width": "2 m", "ppi": 300}, "one of long_edge, short_edge"),
        ({"long_edge": "60 in"}, "ppi as well, as in ppi = 300, or a size in px"),
        ({"width": "300 px", "mode": "cover"}, 'both width and height, with mode = "cover"'),
        ({"long_edge": "2048"}, 'as in "60 in"'),
        ({"long_edge": 2048}, 'as in "60 in"'),
        ({"long_edge": "20.5 px"}, "a whole number of pixels"),
        ({"long_edge": "0 mm", "ppi": 300}, "a size above zero"),
        ({"long_edge": "2 px", "ppi": 0}, "greater than 0"),
    ],
)
def test_settings_that_do_not_say_a_size_are_told_what_is_missing(values, said):
    with pytest.raises(ValidationError) as error:
        Sizing.Settings.model_validate(values)
    assert said in str(error.value)


def test_the_result_knows_its_ppi_and_enlargement():
    pixels = noise(20, 40)
    stage = make_stage(Sizing, {"long_edge": "1 in", "ppi": 80})
    _, result, findings, _ = run_stage(stage, pixels, spec_of(pixels))
    assert (80, 2.0, 40.0) == (result.ppi, result.enlargement, result.effective_ppi)
    assert (25.4, 12.7, 2.0, False) == (
        findings["width_mm"],
        findings["height_mm"],
        findings["scale"],
        findings["ppi_by_convention"],
    )


def test_a_size_in_pixels_is_marked_with_72_ppi():
    pixels = noise(4, 4)
    _, result, findings, _ = run_stage(
        make_stage(Sizing, {"long_edge": "8 px"}), pixels, spec_of(pixels)
    )
    assert (72.0, True) == (result.ppi, findings["ppi_by_convention"])


@pytest.mark.parametrize(("rows", "made", "by_samples"), [
    (102, 51, True), (101, 51, True), (101, 52, False), (102, 52, False), (101, 50, True),
])  # fmt: skip
def test_half_of_an_odd_number_of_rows_is_half_the_size(rows, made, by_samples):
    """It went the way of a slight reduction, which takes four times as long."""
    assert by_samples == Kernel(rows, made).by_samples


def test_a_checkerboard_of_black_and_white_becomes_half_the_light():
    """Half the light is sRGB 187.52 (IEC 61966-2-1), that is 48192 of 65535."""
    pixels = np.zeros((64, 96, 3), np.uint16)
    pixels[::2, ::2] = pixels[1::2, 1::2] = 65535
    out, _, findings, _ = run_stage(
        make_stage(Sizing, {"long_edge": "48 px"}), pixels, spec_of(pixels)
    )
    inside = out[4:-4, 4:-4] / 257
    assert 187.52 == pytest.approx(inside.mean(), abs=0.5)
    assert inside.max() - inside.min() < 0.5
    assert findings["domain"] == "linear light, by the profile's curves"


@pytest.mark.parametrize("scale", [0.25, 0.37, 0.5, 0.9, 1.3, 2, 3.7])
@pytest.mark.parametrize("value", [0, 1, 300, 18000, 40001, 65535])
def test_a_flat_picture_stays_the_same_to_the_last_bit_up_to_its_edges(scale, value):
    pixels = np.full((30, 40, 3), value, np.uint16)
    out, *_ = run_stage(
        make_stage(Sizing, {"long_edge": f"{round(40 * scale)} px"}), pixels, spec_of(pixels)
    )
    assert [value] == np.unique(out).tolist()


@pytest.mark.parametrize("long_edge", ["11 px", "29 px", "83 px", "200 px"])
@pytest.mark.parametrize("mode", ["inside", "cover", "exact"])
def test_the_height_of_the_bands_changes_no_pixel(long_edge, mode):
    pixels, alpha = noise(47, 61), noise(47, 61, 1)[..., 0]
    size = {"long_edge": long_edge} if mode == "inside" else {"width": long_edge, "height": "40 px"}
    outs = []
    for rows in (47, 1, 5, 16):
        stage = make_stage(Sizing, {**size, "mode": mode})
        outs.append(run_stage(stage, pixels, spec_of(pixels, has_alpha=True), None, rows, alpha))
    for out, _, _, out_alpha in outs[1:]:
        np.testing.assert_array_equal(outs[0][0], out)
        np.testing.assert_array_equal(outs[0][3], out_alpha)


@pytest.mark.parametrize("size", [(90, 60), (50, 30), (300, 200)])
@pytest.mark.parametrize("smooth", [True, False])
def test_a_step_is_never_overshot(size, smooth):
    pixels = np.full((64, 96, 3), 20000, np.uint16)
    pixels[20:, 40:] = 50000
    if smooth:
        pixels[:, 40] = 35000
    out, *_ = run_stage(
        make_stage(Sizing, {"width": f"{size[0]} px", "height": f"{size[1]} px"}),
        pixels,
        spec_of(pixels),
    )
    assert (20000, 50000) == (out.min(), out.max())


@pytest.mark.parametrize(("in_size", "out_size"), [(40, 100), (100, 40), (7, 5), (5, 7), (64, 63)])
def test_the_weights_are_lanczos_as_pillow_computes_them(in_size, out_size):
    """Second opinion: Pillow's own resampling of unit impulses, along columns."""
    impulses = np.eye(in_size, dtype=np.float32)
    expected = np.asarray(
        Image.fromarray(impulses).resize((in_size, out_size), Image.Resampling.LANCZOS)
    )
    kernel = Kernel(in_size, out_size)
    made = np.zeros((out_size, in_size), np.float32)
    for row, first, weights in zip(made, kernel.first, kernel.weights, strict=True):
        row[first : first + len(weights)] = weights
    np.testing.assert_allclose(made, expected, atol=2e-6)


def test_an_enlargement_agrees_with_libvips():
    """libvips enlarges encoded values with a cubic kernel; on a picture without fine detail any
    good kernel gives nearly the same: within 1.5 % of full scale, 0.4 % on average."""
    pixels = photograph(96, 128, grain_px=32)
    out, _, findings, _ = run_stage(
        make_stage(Sizing, {"long_edge": "320 px"}), pixels, spec_of(pixels)
    )
    image = pyvips.Image.new_from_array(pixels).cast("float")
    expected = image.resize(2.5, kernel="lanczos3").numpy()
    assert findings["domain"] == "values as encoded"
    difference = np.abs(out.astype(float) - expected)[6:-6, 6:-6] / 65535
    assert difference.max() < 0.015
    assert difference.mean() < 0.004


def test_an_enlarged_wave_is_the_same_wave():
    """The samples of a wave, at its new centres. The wave is six pixels long, and no sample sits
    on its crest; 2 % of its height is what Lanczos' kernel with three lobes itself is off."""

    def wave(count, length):
        return 32768 + 20000 * np.sin(2 * np.pi * (np.arange(count) + 0.5) / length)

    pixels = np.rint(wave(96, 6))[None, :, None].astype(np.uint16)
    pixels = np.repeat(np.repeat(pixels, 60, 0), 3, 2)
    out, *_ = run_stage(make_stage(Sizing, {"long_edge": "240 px"}), pixels, spec_of(pixels))
    difference = np.abs(out[20, :, 0] - wave(240, 15))[10:-10]
    assert difference.max() < 20000 * 0.02


def test_a_reduction_agrees_with_libvips_in_linear_light():
    """libvips mixes the light that our curves give, with the same kernel. It lets peaks ring:
    beyond 0.5 % of full light at one place in a hundred, 2 % at most."""
    pixels = photograph(120, 160)
    out, *_ = run_stage(make_stage(Sizing, {"long_edge": "64 px"}), pixels, spec_of(pixels))
    curve = tone_of(SRGB).curves[0]
    light = pyvips.Image.new_from_array(curve.decode(pixels))
    expected = light.resize(0.4, kernel="lanczos3").numpy()
    difference = np.abs(curve.decode(out) - np.clip(expected, 0, 1))[3:-3, 3:-3]
    assert np.median(difference) < 2 / 65535
    assert np.percentile(difference, 99) < 0.005
    assert difference.max() < 0.02


def test_colour_behind_nothing_does_not_bleed_into_what_is_seen():
    """A red half, opaque, beside a green half that is fully transparent."""
    pixels = np.zeros((20, 40, 3), np.uint16)
    pixels[:, :20, 0], pixels[:, 20:, 1] = 65535, 65535
    alpha = np.zeros((20, 40), np.uint16)
    alpha[:, :20] = 65535
    for size in ("20 px", "100 px"):
        out, _, _, out_alpha = run_stage(
            make_stage(Sizing, {"long_edge": size}),
            pixels,
            spec_of(pixels, has_alpha=True),
            alpha=alpha,
        )
        seen = out_alpha > 600
        assert seen.sum() > out_alpha.size / 3
        assert out[seen][:, 0].min() > 65000
        assert out[seen][:, 1].max() < 200


def test_exact_puts_the_picture_in_the_middle_of_white():
    pixels = np.full((20, 40, 4), 30000, np.uint16)
    stage = make_stage(Sizing, {"width": "40 px", "height": "31 px", "mode": "exact"})
    out, _, findings, _ = run_stage(stage, pixels, spec_of(pixels, None))
    assert [0] == np.unique(np.r_[out[:5], out[25:]]).tolist()
    assert [30000] == np.unique(out[5:25]).tolist()
    assert findings["bordered"]


def test_cover_cuts_the_same_from_both_sides():
    pixels = np.broadcast_to(np.arange(40, dtype=np.uint16)[None, :, None], (20, 40, 3)).copy()
    stage = make_stage(Sizing, {"width": "20 px", "height": "20 px", "mode": "cover"})
    out, _, findings, _ = run_stage(stage, pixels, spec_of(pixels))
    assert list(range(10, 30)) == out[0, :, 0].tolist()
    assert 0.5 == findings["cropped_share"]


def test_the_same_size_passes_every_value_through():
    pixels = noise(20, 40)
    out, _, findings, _ = run_stage(
        make_stage(Sizing, {"long_edge": "40 px"}), pixels, spec_of(pixels)
    )
    np.testing.assert_array_equal(pixels, out)
    assert "none" == findings["resampling"]


@pytest.mark.parametrize("profile", [SRGB, WIDE_RGB], ids=["srgb", "wide"])
def test_light_is_kept_by_a_reduction(profile):
    pixels = photograph(64, 96)
    out, *_ = run_stage(
        make_stage(Sizing, {"long_edge": "48 px"}), pixels, spec_of(pixels, profile)
    )
    curve = tone_of(profile).curves[0]
    assert curve.decode(pixels).mean() == pytest.approx(curve.decode(out).mean(), abs=0.002)


@given(
    st.integers(1, 30),
    st.integers(1, 30),
    st.integers(1, 60),
    st.integers(1, 12),
    st.sampled_from([1, 3, 4]),
)
def test_any_picture_comes_out_in_the_size_that_was_promised(
    height, width, long_px, rows, channels
):
    pixels = np.full((height, width, channels), 12345, np.uint16)
    stage = make_stage(Sizing, {"long_edge": f"{long_px} px"})
    out, *_ = run_stage(stage, pixels, spec_of(pixels, None), None, rows)
    assert [12345] == np.unique(out).tolist()
    assert long_px == max(out.shape[:2])


COVER = {"width": "40 px", "height": "40 px", "mode": "cover"}


def test_a_picture_of_which_too_much_is_cut_off_is_held_with_true_words_and_ways_on():
    pixels = np.zeros((40, 80, 3), np.uint16)
    stage = make_stage(Sizing, {**COVER, "hold_above_cropped": "40 %"})
    spec = spec_of(pixels)
    with pytest.raises(Hold) as held:
        stage.review(stage.open(spec, job_of(spec)))
    assert "cropped" == held.value.code
    assert pytest.approx(0.5 / 0.4) == held.value.excess
    said = held.value.message
    assert "50 % of the picture" in said
    assert "25 % of its width at the left, 25 % of its width at the right" in said
    assert "Limit 40 %" in said
    for remedy in held.value.remedies:
        other = make_stage(Sizing, {**COVER, "hold_above_cropped": "0 %", **remedy.settings})
        other.review(other.open(spec, job_of(spec)))


@pytest.mark.parametrize("limit", [{}, {"hold_above_cropped": "50 %"}])
def test_a_crop_within_the_limit_or_without_one_is_no_reason(limit):
    spec = spec_of(np.zeros((40, 80, 3), np.uint16))
    stage = make_stage(Sizing, {**COVER, **limit})
    stage.review(stage.open(spec, job_of(spec)))


def test_a_limit_for_crops_changes_no_result():
    assert "hold_above_cropped" in Sizing.Settings.judging


@pytest.mark.parametrize("anchor", ["left", "centre", "right"])
@pytest.mark.parametrize("rows", [3, 64, 4000])
def test_the_whole_picture_is_told_small_with_what_is_kept(anchor, rows):
    ramp = np.linspace(0, 60000, 2000).astype(np.uint16)
    pixels = np.repeat(np.broadcast_to(ramp, (1000, 2000))[..., None], 3, axis=2)
    stage = make_stage(Sizing, {**COVER, "anchor": anchor})
    spec = spec_of(pixels)
    job = job_of(spec)
    stage.open(spec, job)
    list(stage.bands(cut(pixels, rows)))
    findings = stage.close()
    told = job.told(Cropped)
    assert told.share == pytest.approx(findings["cropped_share"]) == pytest.approx(0.5)
    assert (0.5, 1) == (told.kept.width_px, told.kept.height_px)
    assert {"left": 0, "centre": 0.25, "right": 0.5}[anchor] == told.kept.left_px
    height, width = told.whole.shape[:2]
    assert (2, True) == (round(width / height), width <= 480)
    expected = np.interp(np.linspace(0, 1999, width), np.arange(2000), ramp)
    np.testing.assert_allclose(told.whole[height // 2, :, 0], expected, atol=200)


def test_a_picture_that_is_not_cropped_tells_none():
    spec = spec_of(np.zeros((40, 80, 3), np.uint16))
    stage, job = make_stage(Sizing, {"long_edge": "40 px"}), job_of(spec)
    stage.open(spec, job)
    list(stage.bands(cut(np.zeros((40, 80, 3), np.uint16), 16)))
    stage.close()
    assert job.told(Cropped) is None
