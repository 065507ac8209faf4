"""Stage gamut-check: how pixels are looked up, counted, sampled and placed."""

import numpy as np
import pytest
from PIL import ImageColor

from hotfolder.colour import slabs
from hotfolder.colour.cells import Cells
from hotfolder.colour.detail import REACH_HUES, REACH_LIGHTNESSES, Reach
from hotfolder.colour.engine import to_lab
from hotfolder.colour.hues import HUES, describe_hues, hue_numbers, shares_by_hue
from hotfolder.colour.loss import Route, losses, medium_losses
from hotfolder.colour.loss_table import make_loss_lookup
from hotfolder.colour.profile import lab_profile
from hotfolder.colour.transform import Transform
from hotfolder.errors import Hold
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent
from hotfolder.model.rendering import Rendering
from hotfolder.stages.messages import IntentChosen, OwnPixels, ReachMeasured
from hotfolder.testing import cut, make_stage
from hotfolder_stages.gamut_check import GamutCheck
from hotfolder_stages.gamut_check.causes import take_sample
from hotfolder_stages.gamut_check.regions import Blocks
from hotfolder_stages.gamut_check.tally import (
    KEPT,
    LOST,
    SAMPLED,
    UNDECIDED,
    Counter,
    thin_out,
)
from hotfolder_stages.profile_conversion import ProfileConversion
from hotfolder_stages.sizing import Sizing
from reference.devices import (
    DISPLAY_P3,
    GREY,
    SRGB,
    WIDE_RGB,
    demo_printer,
    random_pixels,
)
from stages.driving import job_of, spec_of
from stages.gamut_pictures import CANVAS, CMYK, COLOURS, checked, green_share, picture

pytestmark = pytest.mark.slow


@pytest.mark.slow
@pytest.mark.parametrize(
    ("source", "destination", "mean_error"),
    [
        (SRGB, CMYK, 0.05),
        (DISPLAY_P3, CMYK, 0.05),
        (WIDE_RGB, SRGB, 0.05),
        (SRGB, demo_printer("matte-canvas", "4.4"), 0.05),
        (SRGB, demo_printer("coated-book", "2.4"), 0.05),
        (GREY, CMYK, 0.001),
        # A grid of four inks is coarser: 21 points a side.
        (CMYK, SRGB, 0.1),
        (lab_profile(), CMYK, 0.1),
    ],
)
def test_the_table_agrees_with_every_pixel_computed(source, destination, mean_error):
    pixels = picture(source.encoding.channels)
    if source == lab_profile():  # most of its codes are no colours; a picture has none of those
        pixels = Transform(WIDE_RGB, source).apply(pixels)
    route = Route(source, destination)
    exact = np.stack(losses(route, pixels), axis=-1)
    table = make_loss_lookup(route)(pixels)[..., :2] * (100 / 65535)
    assert (abs(table - exact).mean(axis=(0, 1)) <= mean_error).all()
    shares = [(values[..., 0] > 3.0).mean() for values in (exact, table)]
    assert shares[0] == pytest.approx(shares[1], abs=0.002)


def test_bands_pass_unchanged_and_findings_are_of_the_whole_picture():
    pixels = picture()
    spec = spec_of(pixels)
    out, result, findings, _ = checked(pixels, spec, CMYK, rows=33)
    np.testing.assert_array_equal(pixels, out)
    assert spec == result
    loss, shift = losses(Route(SRGB, CMYK), pixels)
    assert findings["tolerance_delta_e_00"] == 3.0
    assert findings["lost_share"] == pytest.approx((loss > 3).mean(), abs=0.001)
    assert findings["out_of_gamut_share"] <= findings["lost_share"]
    for key, values in (("delta_e_00", loss), ("shift_delta_e_00", shift)):
        found = findings[key]
        assert found["mean"] == pytest.approx(values.mean(), abs=0.05)
        assert found["p95"] == pytest.approx(np.percentile(values, 95), abs=0.2)
        assert found["p99"] == pytest.approx(np.percentile(values, 99), abs=0.2)
        assert found["max"] == pytest.approx(values.max(), abs=0.5)


@pytest.mark.parametrize("per_thread", [100, 250_000])
def test_neither_band_heights_nor_threads_matter(per_thread, monkeypatch):
    monkeypatch.setattr(slabs, "PIXELS_PER_THREAD", per_thread)
    pixels = picture(height=40, width=30)
    findings = [checked(pixels, spec_of(pixels), CMYK, rows=rows)[2] for rows in (1, 7, 40)]
    assert findings[0] == findings[1] == findings[2]


def test_many_undecided_pixels_are_sampled_alike_whatever_the_bands():
    pixels = random_pixels(3, 120_000).reshape(300, 400, 3)
    codes = np.stack([np.arange(120_000).reshape(300, 400) % 3] * 2, axis=-1).astype(np.uint16)
    samples = []
    for rows in (7, 300):
        counter = Counter((6, 6, 6), (300, 400), 1, (1, 2), samples_kept=True)
        for top in range(0, 300, rows):
            counter.add(top, pixels[top : top + rows], codes[top : top + rows])
        tally = counter.total()
        assert list(tally.groups) == [40_000] * 3
        samples.append([tally.sample(group) for group in (KEPT, UNDECIDED, LOST)])
    for group, (one, other) in enumerate(zip(*samples, strict=True)):
        np.testing.assert_array_equal(one, other)
        assert SAMPLED[group] / 2 < len(one) <= SAMPLED[group]
        members = set(map(bytes, pixels[codes[..., 0] == group]))
        assert {bytes(each) for each in one} <= members


# CSS Color Module Level 4, 6.1: colours whose names say their hue. Left out: "brown", "olive" and
# the like, which name dark colours of another hue.
CSS_NAMES = {
    "red": "crimson red firebrick tomato",
    "orange": "darkorange orange chocolate",
    "yellow": "yellow gold khaki",
    "green": "lime green darkgreen seagreen springgreen chartreuse",
    "blue-green": "cyan teal turquoise aquamarine",
    "blue": "blue navy deepskyblue skyblue steelblue royalblue",
    "violet": "blueviolet darkviolet indigo",
    "magenta": "magenta purple orchid",
    "pink": "hotpink deeppink pink lightpink",
    "grey": "white silver gray black",
}


@pytest.mark.parametrize("hue", HUES)
def test_hues_have_the_names_that_css_gives_them(hue):
    rgb = [ImageColor.getrgb(name) for name in CSS_NAMES[hue].split()]
    lab = to_lab(SRGB, np.array(rgb, dtype=np.uint16) * 257)
    assert [HUES[number] for number in hue_numbers(lab)] == [hue] * len(rgb)


def in_lab(lightness, chroma, degrees):
    angle = np.radians(degrees)
    return [lightness, chroma * np.cos(angle), chroma * np.sin(angle)]


@pytest.mark.parametrize(
    ("colours", "times", "said"),
    [
        ([in_lab(60, 80, 65)], [5], "saturated oranges"),
        ([in_lab(60, 80, 65), in_lab(50, 60, 140)], [5, 4], "saturated oranges and greens"),
        ([in_lab(60, 80, 65), in_lab(50, 60, 30)], [9, 1], "mostly saturated oranges"),
        ([in_lab(20, 20, 270)], [1], "dark blues"),
        ([in_lab(90, 20, 200)], [1], "light blue-greens"),
        ([in_lab(50, 2, 0)], [1], "greys"),
        (
            [in_lab(60, 30, hue) for hue in (30, 65, 95, 140)],
            [4, 3, 2, 1],
            "mostly reds and oranges",
        ),
        (
            [in_lab(60, 30, hue) for hue in (30, 65, 95, 140, 200)],
            [4, 4, 3, 3, 3],
            "mostly reds, oranges and yellows",
        ),
        (np.zeros((0, 3)), [], ""),
    ],
)
def test_lost_colours_in_words(colours, times, said):
    assert said == describe_hues(np.array(colours, dtype=float), np.array(times, dtype=np.int64))


def test_shares_by_hue_add_up_and_the_largest_comes_first():
    lab = np.array([in_lab(60, 80, 65), in_lab(50, 60, 140), in_lab(50, 60, 66)])
    assert list(shares_by_hue(lab, np.array([3, 5, 2])).items()) == [
        ("orange", 0.5),
        ("green", 0.5),
    ]


def largest(lost, rows=7):
    blocks = Blocks(lost.shape[1], lost.shape[0])
    counter = Counter((6, 6, 6), blocks.shape, blocks.side_px, (1, 1))
    for top in range(0, len(lost), rows):
        codes = np.stack([lost[top : top + rows]] * 2, axis=-1).astype(np.uint16)
        counter.add(top, np.zeros((*codes.shape[:2], 3), np.uint16), codes)
    blocks.add(counter.total().blocks[LOST])
    return blocks.largest()


@pytest.mark.parametrize(
    ("place", "said"),
    [
        ((10, 10), "in the upper left"),
        ((10, 95), "at the top"),
        ((10, 180), "in the upper right"),
        ((65, 10), "on the left"),
        ((65, 95), "in the middle"),
        ((65, 180), "on the right"),
        ((130, 10), "in the lower left"),
        ((130, 95), "at the bottom"),
        ((130, 180), "in the lower right"),
    ],
)
def test_the_largest_region_its_box_and_its_place(place, said):
    lost = np.zeros((150, 200), dtype=bool)
    top, left = place
    lost[top : top + 12, left : left + 10] = True
    lost[:3, :3] = lost[-3:, -3:] = True  # smaller ones
    region = largest(lost)
    assert (region.left_px, region.top_px, region.width_px, region.height_px) == (left, top, 10, 12)
    assert region.accuracy_px == 1
    assert region.share == pytest.approx(120 / 30_000)
    assert said == region.place


def test_pixels_that_touch_at_a_corner_are_one_region():
    lost = np.eye(40, dtype=bool)
    lost[30:38, 2:5] = True
    region = largest(lost)
    assert (region.width_px, region.height_px, region.share) == (40, 40, 40 / 1600)
    assert region.place == "all over the picture"


@pytest.mark.parametrize("rows", [1, 7, 64, 5000])
@pytest.mark.parametrize(("height", "width"), [(1300, 2000), (2000, 3), (1, 1025)])
def test_a_large_picture_is_seen_in_blocks_whatever_the_height_of_bands(height, width, rows):
    lost = np.zeros((height, width), dtype=bool)
    lost[height // 2 :, width // 2 :] = True
    region = largest(lost, rows)
    side = -(-max(height, width) // 512)
    assert region.accuracy_px == side
    assert abs(region.left_px - width // 2) < side
    assert abs(region.top_px - height // 2) < side
    assert region.left_px + region.width_px == width
    assert region.top_px + region.height_px == height
    assert region.share == pytest.approx(lost.mean(), rel=0.01)


def test_thin_lines_in_a_large_picture_are_no_region():
    lost = np.zeros((2000, 2000), dtype=bool)
    lost[:, ::10] = True
    assert largest(lost) is None
    assert largest(np.zeros((30, 30), dtype=bool)) is None


@pytest.mark.parametrize("encoding", Encoding)
def test_cells_count_pixels_near_their_middles(encoding):
    pixels = random_pixels(encoding.channels, 500).reshape(20, 25, -1)
    lost = np.arange(500).reshape(20, 25) % 3 == 0
    cells = Cells(encoding)
    for start in (0, 11):
        part = slice(start, 11 if start == 0 else None)
        cells.add(cells.counts_of(pixels[part], lost[part]))
    middles, count, lost_count = cells.occupied()
    assert (count.sum(), lost_count.sum()) == (500, lost.sum())
    distance = abs(pixels.reshape(500, 1, -1).astype(int) - middles.astype(int)).max(axis=2)
    assert distance.min(axis=1).max() <= 1024
    assert middles.dtype == np.uint16


def test_findings_say_where_and_in_which_hues():
    pixels = green_share(12, 50)
    pixels[30:38, 6:9] = 257 * np.array(ImageColor.getrgb("magenta"))
    findings = checked(pixels, spec_of(pixels), CMYK)[2]
    assert findings["lost_by_hue"] == {"green": 0.8333, "magenta": 0.1667}
    assert findings["lost_in_words"] == "mostly saturated greens"
    region = findings["largest_region"]
    box = [region[f"{side}_px"] for side in ("left", "top", "width", "height")]
    assert box == [0, 0, 10, 12]
    assert region["share"] == 0.24
    assert region["place"] == "at the top"


def test_a_picture_that_loses_nothing_has_no_hue_and_no_region():
    pixels = np.full((5, 5, 3), 65535, dtype=np.uint16)
    findings = checked(pixels, spec_of(pixels), CMYK)[2]
    assert (findings["lost_in_words"], findings["lost_by_hue"]) == ("", {})
    assert findings["largest_region"] is None


def colour_moved_on_purpose(route, tolerance):
    """A colour that the medium can make, and that comes out as another."""
    pixels = random_pixels(3, 4000)[0]
    pixels = pixels[losses(route, pixels)[0] > tolerance + 1]
    return pixels[medium_losses(route, pixels, enough=0.5) < tolerance - 1][0]


@pytest.mark.parametrize("way", ["perceptual", "detail", "least loss"])
def test_the_region_is_of_what_counts_and_not_of_what_is_moved_on_purpose(way):
    """Left: what can be made and is moved; on the right, smaller, what cannot be made."""
    told = []
    if way == "detail":
        settings = {"rendering": "detail"}
        reach = Reach(np.full((REACH_HUES, REACH_LIGHTNESSES), 1.5))
        route = Route(SRGB, CANVAS, rendering=Rendering.DETAIL, reach=reach)
        told = [ReachMeasured(reach)]
    else:
        settings = {"intent": way}
        route = Route(SRGB, CANVAS, Intent.PERCEPTUAL)
        told = [IntentChosen(Intent.PERCEPTUAL, "It does.")] if way == "least loss" else []
    pixels = np.full((50, 60, 3), 65535, dtype=np.uint16)
    pixels[:, :30] = colour_moved_on_purpose(route, 3.0)
    pixels[20:40, 45:55] = COLOURS[1]
    conversion = make_stage(ProfileConversion, settings)
    findings = checked(pixels, spec_of(pixels), CANVAS, conversion=conversion, told=told)[2]
    assert findings["lost_by_cause"]["intent"] == pytest.approx(0.5)
    assert findings["out_of_gamut_share"] == pytest.approx(200 / 3000, abs=1e-6)
    region = findings["largest_region"]
    box = [region[f"{side}_px"] for side in ("left", "top", "width", "height")]
    assert box == [45, 20, 10, 20]
    assert region["share"] == pytest.approx(200 / 3000, abs=1e-6)


def test_the_region_is_of_what_is_delivered_where_least_loss_chose_refined():
    """Left: what the table alone loses; on the right, smaller, what the medium cannot make."""
    pixels = np.full((50, 60, 3), 65535, dtype=np.uint16)
    some = random_pixels(3, 20_000)[0]
    by_table, refined = (
        losses(Route(SRGB, CANVAS, rendering=each), some)[0]
        for each in (Rendering.INTENT, Rendering.REFINED)
    )
    pixels[:, :30] = some[(by_table > 4) & (refined < 2)][0]
    pixels[20:40, 45:55] = COLOURS[1]
    conversion = make_stage(ProfileConversion, {"intent": "least loss"})
    told = [IntentChosen(Intent.RELATIVE_COLORIMETRIC, "It does.", Rendering.REFINED)]
    findings = checked(pixels, spec_of(pixels), CANVAS, conversion=conversion, told=told)[2]
    assert findings["lost_share"] == pytest.approx(200 / 3000, abs=1e-6)
    assert findings["largest_region"]["share"] == pytest.approx(200 / 3000, abs=1e-6)


def test_what_is_lost_in_spots_is_said_to_be_scattered(monkeypatch):
    monkeypatch.setattr("hotfolder_stages.gamut_check.regions.BLOCKS", 5)
    pixels = np.full((50, 50, 3), 50_000, dtype=np.uint16)
    pixels[::5, ::5] = COLOURS[1]
    with pytest.raises(Hold) as held:
        checked(pixels, spec_of(pixels), CMYK, {"hold_above": "1 %"})
    assert held.value.message.startswith(
        "This paper cannot make 4 % of the picture, saturated greens; "
        "they are scattered in places too small to name. Limit 1 %:"
    )


def sized_and_checked(pixels, sizing, rows=64):
    """Findings of the check behind the stage that sizes, and the raster it returned."""
    spec = spec_of(pixels, ppi=100.0)
    job = job_of(spec, profile=CMYK)
    size, look = make_stage(Sizing, sizing), make_stage(GamutCheck, {})
    size.announce(job)
    look.announce(job)
    sized = look.open(size.open(spec, job), job)
    made = list(look.bands(size.bands(cut(pixels, rows))))
    assert (sized.height_px, sized.width_px) == (
        sum(band.rows for band in made),
        made[0].pixels.shape[1],
    )
    return look.close(), sized


def half_lost(height=120, width=160):
    """A picture whose right half cannot be printed, with a fine grain."""
    pixels = np.full((height, width, 3), 30000, np.uint16)
    pixels[:, width // 2 :] = (0, 65000, 0)
    return pixels + random_pixels(3, height * width).reshape(pixels.shape) // 200


@pytest.mark.parametrize("rows", [7, 64, 500])
def test_an_enlargement_is_measured_at_the_pictures_own_pixels(rows):
    pixels = half_lost()
    alone = checked(pixels, spec_of(pixels), CMYK)[2]
    found, sized = sized_and_checked(pixels, {"long_edge": "1600 px"}, rows)
    assert alone["out_of_gamut_share"] == found["out_of_gamut_share"]
    assert alone["delta_e_00"] == found["delta_e_00"]
    assert alone["lost_by_hue"] == found["lost_by_hue"]
    region = found["largest_region"]
    assert (800, 800, 1200) == (region["left_px"], region["width_px"], region["height_px"])
    assert sized.width_px == 1600


def test_of_an_enlargement_only_what_is_kept_is_measured():
    pixels = half_lost()
    size = {"width": "1600 px", "height": "800 px", "mode": "cover", "anchor": "left"}
    found, _ = sized_and_checked(pixels, size)
    assert found["out_of_gamut_share"] == pytest.approx(0.5, abs=0.01)
    size = {"width": "400 px", "height": "1200 px", "mode": "cover", "anchor": "left"}
    found, _ = sized_and_checked(pixels, size)
    assert found["out_of_gamut_share"] == 0
    found, _ = sized_and_checked(pixels, {**size, "anchor": "right"})
    assert found["out_of_gamut_share"] == 1


def test_a_border_around_an_enlargement_is_no_part_of_the_picture():
    pixels = half_lost()
    size = {"width": "1600 px", "height": "1600 px", "mode": "exact"}
    found, _ = sized_and_checked(pixels, size)
    assert found["out_of_gamut_share"] == pytest.approx(0.5, abs=0.01)
    assert (800, 200) == (found["largest_region"]["left_px"], found["largest_region"]["top_px"])


def test_a_reduction_is_measured_as_it_comes_out():
    pixels = half_lost()
    found, _ = sized_and_checked(pixels, {"long_edge": "80 px"})
    assert "as sized" in found["measured_on"]


def test_the_pictures_own_pixels_are_not_looked_at_once_a_stage_has_changed_them():
    job = job_of(spec_of(half_lost()), profile=CMYK)
    size = make_stage(Sizing, {"long_edge": "1600 px"})
    size.open(spec_of(half_lost()), job)
    assert job.told(OwnPixels) is not None
    job.end_of_pixels()
    assert job.told(OwnPixels) is None


@pytest.fixture
def little_is_enough(monkeypatch):
    """A tenth of what these pictures have, with as many pixels to a block as of large ones."""
    monkeypatch.setattr("hotfolder_stages.gamut_check.regions.BLOCKS", 40)
    monkeypatch.setattr("hotfolder_stages.gamut_check.stage.ENOUGH_PX", 24_000)


def measured(pixels, rows=64):
    return checked(pixels, spec_of(pixels), CMYK, rows=rows)[2]


@pytest.mark.usefixtures("little_is_enough")
@pytest.mark.parametrize("rows", [7, 64, 500])
def test_of_a_large_picture_some_pixels_tell_of_all(rows, monkeypatch):
    pixels = half_lost(400, 607)
    few = measured(pixels, rows)
    assert 10 == few["measured_one_in"]
    monkeypatch.setattr("hotfolder_stages.gamut_check.stage.ENOUGH_PX", 10**9)
    every = measured(pixels)
    assert 1 == every["measured_one_in"]
    off = abs(few["lost_share"] - every["lost_share"])
    assert off <= few["error_in_95_of_100"]["lost_share"] < 0.01
    assert few["lost_by_hue"] == pytest.approx(every["lost_by_hue"], abs=0.02)
    region, true = few["largest_region"], every["largest_region"]
    assert [region[side] for side in ("top_px", "height_px")] == [
        true[side] for side in ("top_px", "height_px")
    ]
    for side in ("left_px", "width_px"):  # what a block at the edge is, is left to chance
        assert abs(region[side] - true[side]) <= true["accuracy_px"]
    assert region["share"] == pytest.approx(true["share"], abs=0.01)


@pytest.mark.usefixtures("little_is_enough")
@pytest.mark.parametrize("step", [2, 5, 10])
@pytest.mark.parametrize("axis", [0, 1])
def test_what_is_lost_in_stripes_is_neither_met_nor_missed_by_rule(step, axis):
    pixels = np.full((400, 600, 3), 30000, np.uint16)
    np.moveaxis(pixels, axis, 0)[::step] = (0, 65000, 0)
    found = measured(pixels)
    assert found["lost_share"] == pytest.approx(1 / step, abs=0.01)
    assert abs(found["lost_share"] - 1 / step) <= 1.5 * found["error_in_95_of_100"]["lost_share"]


def test_which_pixels_are_looked_at_depends_on_their_places_alone():
    pixels = np.arange(90 * 100, dtype=np.uint16).reshape(90, 100, 1)
    taken = thin_out(0, pixels, 7)
    assert (90, 15, 1) == taken.shape
    parts = [thin_out(top, pixels[top : top + 13], 7) for top in range(0, 90, 13)]
    np.testing.assert_array_equal(taken, np.concatenate(parts))
    columns = taken[..., 0] % 100
    np.testing.assert_array_equal(np.broadcast_to(np.arange(15), (90, 15)), columns // 7)
    assert set(range(100)) == set(columns.ravel().tolist())  # to the last one
    assert pixels is thin_out(0, pixels, 1)


@pytest.mark.parametrize(("lost_rows", "looked_at"), [(300, 15_007), (150, 4096), (3, 1200)])
def test_more_is_looked_at_the_more_of_a_picture_is_lost(lost_rows, looked_at):
    pixels = random_pixels(3, 120_000).reshape(300, 400, 3)
    codes = np.zeros((300, 400, 2), np.uint16)
    codes[:lost_rows] = 9
    counter = Counter((6, 6, 6), (300, 400), 1, (1, 2))
    counter.add(0, pixels, codes)
    sample = take_sample(counter.total())
    assert sample.sampled[LOST] == looked_at
    half = np.arange(len(sample.pixels)) % 2 == 0
    assert sample.error(half) <= 0.0081
    assert sample.share(half) == pytest.approx(lost_rows / 600, abs=0.001)
