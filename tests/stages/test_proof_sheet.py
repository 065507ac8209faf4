"""Stage proof-sheet: what is gathered, rendered, drawn and said. `browser` opens the page."""

import base64
import hashlib
import html
import io
import re
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image, ImageCms

from hotfolder import (
    Area,
    Cropped,
    Encoding,
    Hold,
    IntentChosen,
    Medium,
    PixelsWanted,
    RasterSpec,
    ReachMeasured,
)
from hotfolder.colour.detail import Reach
from hotfolder.colour.engine import to_lab
from hotfolder.colour.hues import HUES
from hotfolder.colour.loss import Route, losses, round_trip_noise
from hotfolder.colour.profile import lab_profile
from hotfolder.colour.proofing import soft_proof
from hotfolder.colour.transform import Transform
from hotfolder.colour.worst_places import LONG_EDGE_PX, WorstPlaces
from hotfolder.model.destination import Viewing
from hotfolder.model.intent import Intent
from hotfolder.model.rendering import Rendering
from hotfolder.model.standing import MediumStanding
from hotfolder.testing import cut, make_job, make_stage, run_stage
from hotfolder.work.comparison import numbers_of
from hotfolder_stages.gamut_check import GamutCheck
from hotfolder_stages.profile_conversion import ProfileConversion
from hotfolder_stages.proof_sheet import ProofSheet, facts
from hotfolder_stages.proof_sheet import stage as proof_stage
from hotfolder_stages.proof_sheet.loss_map import LINE, levels, loss_map
from hotfolder_stages.proof_sheet.page import MOST_BYTES
from hotfolder_stages.proof_sheet.pictures import (
    QUALITIES,
    apply_at_once,
    as_uris,
    display_p3,
    paper_white,
)
from reference.devices import DISPLAY_P3, GREY, SRGB, WIDE_RGB, demo_printer, libvips
from stages.driving import job_of, spec_of

pytestmark = pytest.mark.slow

CANVAS = demo_printer("matte-canvas", "4.4")
BOOK = demo_printer("coated-book", "2.4")
NOTHING = np.zeros((1, 1, 2), np.uint16)


def conversion(**values):
    return make_stage(ProfileConversion, values)


def made(pixels, folder, spec=None, destination=CANVAS, beside=None, rows=40, alpha=None, **more):
    """Run the stage; page, findings, and what came out. beside: other stages."""
    spec = spec or spec_of(pixels, WIDE_RGB)
    beside = [conversion()] if beside is None else beside
    job = job_of(spec, profile=destination, folder=folder, beside=beside, **more)
    out, _, findings, _ = run_stage(make_stage(ProofSheet, {}), pixels, spec, job, rows, alpha)
    return (folder / "sheet.html").read_text("utf-8"), findings, out


def picture(height=300, width=400):
    """Grey, with a patch of the most saturated green at the lower right."""
    pixels = np.full((height, width, 3), 30000, np.uint16)
    pixels[height // 2 :, width // 2 :] = (0, 65535, 0)
    return pixels


def embedded(page, alt):
    """The picture with an alternative text, as Pillow decodes it."""
    tag = next(t for t in re.findall(r"<img[^>]*>", page) if re.search(alt, t))
    return Image.open(io.BytesIO(base64.b64decode(re.search(r"base64,([^\"]+)", tag)[1])))


def collected(pixels, profile=SRGB, look_up=None, rows=None):
    spec = spec_of(pixels, profile)
    nothing = lambda codes: np.broadcast_to(NOTHING, (*codes.shape[:2], 2))  # noqa: E731
    collector = WorstPlaces(profile, (spec.width_px, spec.height_px), look_up or nothing, 3.0)
    for band in cut(pixels, rows or collector.rows):
        collector.add(band.top, band.pixels)
    return collector


def unmoved(codes):
    return np.broadcast_to(NOTHING, (*codes.shape[:2], 2))


# what is gathered


@pytest.mark.parametrize("rows", [7, 300])
def test_pixels_pass_unchanged_and_the_page_does_not_depend_on_bands(rows, tmp_path):
    pixels = picture()
    (tmp_path / "other").mkdir()
    page, _, out = made(pixels, tmp_path, rows=rows)
    np.testing.assert_array_equal(pixels, out)
    assert made(pixels, tmp_path / "other", rows=41)[0] == page


def test_a_reduced_checkerboard_is_as_bright_as_it_looks():
    # 188 of 255: half the light of white in sRGB (IEC 61966-2-1)
    squares = np.indices((64, 2 * LONG_EDGE_PX)).sum(axis=0) % 2
    pixels = np.repeat(squares[..., None] * 65535, 3, axis=2).astype(np.uint16)
    reduced = collected(pixels).reduced()
    assert (32, LONG_EDGE_PX, 3) == reduced.pixels.shape
    assert 188 == pytest.approx(float(reduced.pixels.mean()) / 257, abs=0.5)


@pytest.mark.parametrize(
    ("height", "width"), [(1, 1), (5, 3000), (2999, 3), (1025, 1025), (260, 7)]
)
def test_any_shape_is_reduced_whole(height, width):
    pixels = np.full((height, width, 3), 40000, np.uint16)
    reduced = collected(pixels).reduced()
    factor = -(-max(height, width) // LONG_EDGE_PX)
    expected = (max(1, height // factor), max(1, width // factor), 3)
    assert expected == reduced.pixels.shape
    np.testing.assert_allclose(reduced.pixels, 40000, atol=2)


def test_the_worst_place_comes_first_and_has_the_pictures_own_pixels():
    rng = np.random.default_rng(1)
    pixels = rng.integers(0, 60000, (1100, 2100, 3), dtype=np.uint16)
    pixels[700:760, 1500:1560] = 65535  # the table below calls white lost, and nothing else

    def look_up(codes):
        lost = (codes.min(axis=2) > 64000) * np.uint16(20000)
        return np.stack([lost, np.zeros_like(lost)], axis=-1)

    first, *others = collected(pixels, look_up=look_up).places(3)
    rows, columns = (
        slice(first.top_px, first.top_px + first.height_px),
        slice(first.left_px, first.left_px + first.width_px),
    )
    np.testing.assert_array_equal(pixels[rows, columns], first.pixels)
    assert (first.pixels == 65535).all(axis=2).any()
    assert first.lost > max(place.lost for place in others)
    corners = {(place.top_px, place.left_px) for place in (first, *others)}
    assert 3 == len(corners)


def test_loss_is_that_of_the_gamut_check(tmp_path):
    pixels = picture()
    _, findings, _ = made(pixels, tmp_path)
    exact = losses(Route(WIDE_RGB, CANVAS), pixels[::50, ::50])[0]
    tolerance = max(3.0, round_trip_noise(CANVAS).p99)
    assert 0.25 == pytest.approx((exact > tolerance).mean())
    assert 0.25 == findings["lost_share_of_reduced"]


def test_the_tolerance_is_the_gamut_checks(tmp_path):
    assert 0 < made(picture(), tmp_path)[1]["lost_share_of_reduced"]
    beside = [conversion(), make_stage(GamutCheck, {"tolerance": 99.0})]
    page, findings, _ = made(picture(), tmp_path, beside=beside)
    assert 0 == findings["lost_share_of_reduced"]
    assert "No colour of this picture is lost on this lustre paper." in page


# what is rendered


@pytest.mark.slow
@pytest.mark.parametrize("destination", [CANVAS, BOOK, libvips("cmyk")], ids=["rgb", "cmyk", "v2"])
@pytest.mark.parametrize(("show", "alt"), [("medium", "own white and"), ("adapted", "eyes used")])
@pytest.mark.parametrize("rendering", Rendering)
def test_the_proof_is_the_delivered_pixels_converted_back(
    show, alt, rendering, destination, tmp_path, monkeypatch
):
    delivering = []
    monkeypatch.setattr(
        proof_stage,
        "apply_at_once",
        lambda *given: delivering.append(apply_at_once(*given)) or delivering[-1],
    )
    pixels = np.zeros((120, 160, 3), np.uint16)
    for column, colour in enumerate([(9000, 21000, 30000), (60000, 60000, 60000), (0, 0, 0),
                                     (52000, 30000, 26000)]):  # fmt: skip
        pixels[:, 40 * column : 40 * column + 40] = colour
    settings = {"rendering": rendering.value}
    beside = [conversion(**settings)]
    (tmp_path / "conversion").mkdir()
    job = job_of(spec_of(pixels), profile=destination, folder=tmp_path / "conversion")
    stage = make_stage(ProfileConversion, settings)
    delivered = run_stage(stage, pixels, spec_of(pixels, WIDE_RGB), job)[0]
    reach = job.told(ReachMeasured)
    assert (reach is not None) == (rendering is Rendering.DETAIL)
    told = [reach] if reach else []
    page, _, _ = made(pixels, tmp_path, destination=destination, beside=beside, told=told)
    np.testing.assert_array_equal(delivered, delivering[0][0])
    expected = soft_proof(delivered, destination, DISPLAY_P3, show).to_8_bits()[60, 20::40]
    found = np.asarray(embedded(page, f'alt="mud.tif[^"]*{alt}'))[60, 20::40]
    np.testing.assert_allclose(expected.astype(int), found, atol=2)


def test_colour_pictures_carry_the_profile_they_are_for(tmp_path):
    page, _, _ = made(picture(), tmp_path)
    profile = ImageCms.ImageCmsProfile(
        io.BytesIO(embedded(page, "as finished").info["icc_profile"])
    )
    assert "Display P3" == ImageCms.getProfileDescription(profile).strip()
    ours = np.frombuffer(display_p3().data, np.uint8)
    assert len(ours) < 1500  # it is in every picture


def test_the_mediums_white_is_shown_as_an_instrument_sees_it(tmp_path):
    white = soft_proof(np.full((1, 1, 3), 65535, np.uint16), CANVAS, SRGB, "medium").to_8_bits()
    red, green, blue = white[0, 0].tolist()
    assert (red, green, blue) == paper_white(CANVAS) != (255, 255, 255)
    assert f"--paper: rgb({red} {green} {blue})" in made(picture(), tmp_path)[0]


def shown_as_measured(folder, change, **settings):
    """A sheet of grey on a canvas that was measured so; and what came out."""
    device = np.random.default_rng(3).integers(0, 65536, (24, 3)).astype(np.uint16)
    expected = to_lab(CANVAS, device, Intent.ABSOLUTE_COLORIMETRIC).reshape(-1, 3)
    standing = MediumStanding(
        measured="2026-11-28T10:00:00Z",
        expected=tuple(map(tuple, expected.tolist())),
        found=tuple(map(tuple, (expected + change).tolist())),
    )
    pixels = picture()
    job = job_of(
        spec_of(pixels, WIDE_RGB), profile=CANVAS, folder=folder, beside=[conversion()],
        standing=standing,
    )  # fmt: skip
    stage = make_stage(ProofSheet, settings)
    out, _, _, _ = run_stage(stage, pixels, spec_of(pixels, WIDE_RGB), job, 40, None)
    assert (out == pixels).all()
    return (folder / "sheet.html").read_text("utf-8")


def in_lab(image):
    codes = np.asarray(image).astype(np.uint16) * 257
    return to_lab(DISPLAY_P3, codes).reshape(-1, 3)


def test_a_medium_that_prints_as_its_profile_says_looks_the_same_as_measured(tmp_path):
    page = shown_as_measured(tmp_path, 0.0)
    one = np.asarray(embedded(page, "picture|, with the medium's own white")).astype(int)
    two = np.asarray(embedded(page, "as it was measured, with its own")).astype(int)
    assert np.abs(one - two).max() <= 4  # one code by L*a*b*, the rest is the JPEG's
    assert 'id="look-medium" checked' in page
    assert "as measured, " in page


def test_a_medium_that_has_yellowed_looks_so_as_measured(tmp_path):
    page = shown_as_measured(tmp_path, [0.0, 0.0, 4.0], first="measured")
    one = in_lab(embedded(page, ", with the medium's own white"))
    two = in_lab(embedded(page, "as it was measured, with its own"))
    grey = slice(0, 400 * 100)
    change = (two - one)[grey].mean(axis=0)
    assert [0.0, 0.0, 4.0] == pytest.approx(change.tolist(), abs=1.0)  # a JPEG of one colour
    assert 'id="look-measured" checked' in page
    assert 'id="look-medium" checked' not in page


def test_without_a_measurement_nothing_is_shown_as_measured(tmp_path):
    page, _, _ = made(picture(), tmp_path)
    assert 'id="look-measured"' not in page
    assert 'data-view="measured"' not in page


def test_the_thumbnail_is_small_and_in_srgb(tmp_path):
    made(picture(600, 900), tmp_path)
    with Image.open(tmp_path / "thumbnail.jpg") as image:
        assert (320, 213) == image.size
        profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
    assert "sRGB" == ImageCms.getProfileDescription(profile).strip()


@pytest.mark.parametrize("intent", ["perceptual", "relative colorimetric"])
def test_what_least_loss_chose_is_what_is_shown(intent, tmp_path):
    chosen = IntentChosen(Intent(intent), "It keeps the petals.")
    least = [conversion(intent="least loss")]
    page, _, _ = made(picture(), tmp_path, beside=least, told=[chosen])
    assert intent.capitalize() in page
    assert "It keeps the petals." in page
    delivered = Transform(WIDE_RGB, CANVAS, Intent(intent)).apply(picture())
    expected = soft_proof(delivered, CANVAS, DISPLAY_P3, "adapted").to_8_bits()[250, 350]
    found = np.asarray(embedded(page, 'alt="mud.tif[^"]*eyes used'))[250, 350]
    np.testing.assert_allclose(expected.astype(int), found, atol=2)


def test_what_detail_brings_in_is_lost_on_the_sheet_as_it_is_delivered(tmp_path):
    """The table that the places are found by was made before the picture was looked at."""
    grey, green = np.full(3, 34000.0), np.array([8000.0, 60000.0, 12000.0])
    ramp = grey + (green - grey) * np.linspace(0.37, 0.43, 400)[:, None]
    pixels = np.broadcast_to(ramp.astype(np.uint16), (30, 400, 3)).copy()
    told = [ReachMeasured(Reach(np.full((72, 16), 3.0)))]
    detail = [conversion(rendering="detail")]
    _, findings, _ = made(pixels, tmp_path, beside=detail, told=told)
    route = Route(WIDE_RGB, CANVAS, rendering=Rendering.DETAIL, reach=told[0].reach)
    tolerance = max(3.0, round_trip_noise(CANVAS).p99)
    delivered, at_the_boundary = (
        (losses(each, pixels[0])[0] > tolerance).mean()
        for each in (route, replace(route, reach=None))
    )
    assert delivered > at_the_boundary + 0.05
    assert findings["lost_share_of_reduced"] == pytest.approx(delivered, abs=0.01)


@pytest.mark.parametrize("swapped", [False, True])
def test_the_worst_place_is_the_worst_as_it_is_delivered(swapped, tmp_path):
    """Two halves: relative colorimetric loses more of one, perceptual, which is chosen, of both."""
    chosen = IntentChosen(Intent.PERCEPTUAL, "It keeps the petals.")
    colours = np.random.default_rng(1).integers(0, 65536, (2000, 3), dtype=np.uint16)
    relative, perceptual = (
        losses(Route(WIDE_RGB, CANVAS, intent), colours)[0]
        for intent in (Intent.RELATIVE_COLORIMETRIC, Intent.PERCEPTUAL)
    )
    one = int(np.argmax(np.where(perceptual < 7, relative, 0)))
    other = int(np.argmax(np.where(relative < relative[one] - 2, perceptual, 0)))
    assert perceptual[other] > perceptual[one] + 2
    pixels = np.empty((256, 1024, 3), np.uint16)
    pixels[:, :512], pixels[:, 512:] = colours[one], colours[other]
    pixels = pixels[:, ::-1].copy() if swapped else pixels
    least = [conversion(intent="least loss")]
    _, findings, _ = made(pixels, tmp_path, beside=least, told=[chosen])
    place = findings["places"][0]
    assert (place["left_px"] >= 512) == (not swapped)


def test_places_are_weighed_again_by_what_is_delivered():
    def look_up(codes):
        found = np.zeros((*codes.shape[:2], 2), np.uint16)
        found[:, : codes.shape[1] // 2, 0] = 20000
        found[:, codes.shape[1] // 2 :, 0] = 10000
        return found

    collector = collected(picture(), look_up=look_up)
    assert collector.places(1)[0].left_px == 0
    delivered = np.asarray(collector.reduced().loss)[:, ::-1].copy()
    collector.judge(delivered)
    worst = collector.places(1)[0]
    assert worst.left_px == 144
    assert worst.lost > 0
    np.testing.assert_allclose(collector.reduced().loss, delivered, atol=0.001)


def test_without_conversion_the_picture_is_shown_as_it_is(tmp_path):
    page, _, _ = made(picture(), tmp_path, beside=[])
    before, after = (
        np.asarray(embedded(page, f'alt="mud.tif[^"]*{alt}'))
        for alt in ("as finished", "eyes used")
    )
    np.testing.assert_array_equal(before, after)


@pytest.mark.parametrize(
    ("profile", "channels"),
    [(GREY, 1), (libvips("cmyk"), 4), (lab_profile(), 3), (SRGB, 3)],
    ids=["grey", "cmyk", "lab", "rgb"],
)
def test_every_kind_of_original_gets_a_sheet(profile, channels, tmp_path):
    # ramps: noise in four inks would have every block of a table of four dimensions computed
    ramp = np.linspace(0, 65535, 1100)
    row = np.stack([ramp if number % 2 else ramp[::-1] for number in range(channels)], axis=-1)
    pixels = np.broadcast_to(row.astype(np.uint16), (90, 1100, channels)).copy()
    page, findings, _ = made(pixels, tmp_path, spec_of(pixels, profile), BOOK)
    assert 2 == findings["reduced_by"]
    assert (550, 45) == embedded(page, "as finished").size


def test_alpha_is_laid_onto_white_as_it_will_be(tmp_path):
    pixels = np.zeros((40, 60, 3), np.uint16)
    alpha = np.zeros((40, 60), np.uint16)
    spec = spec_of(pixels, has_alpha=True)
    page, _, _ = made(pixels, tmp_path, spec, alpha=alpha)
    assert 255 == np.asarray(embedded(page, "as finished")).min()
    assert "Laid onto the medium&#39;s white" in page


# what is drawn


def test_the_more_is_lost_the_darker_the_map():
    finished = np.full((60, 240, 3), 200, np.uint8)
    loss = np.repeat([0.0, 4.0, 7.0, 20.0], 60)[None].repeat(60, axis=0)
    drawn = loss_map(finished, loss, 3.0).reshape(60, 4, 60)[:, :, 10:50]
    nothing, *lost = drawn.mean(axis=(0, 2)).tolist()
    assert [nothing, *lost] == sorted([nothing, *lost], reverse=True)
    assert min(a - b for a, b in zip([nothing, *lost], lost, strict=False)) > 20
    assert LINE not in drawn[:, 0]


def test_levels_begin_above_the_tolerance():
    loss = np.array([3.0, 3.1, 6.1, 12.1])[:, None, None].repeat(20, axis=1).repeat(20, axis=2)
    assert [0, 1, 2, 3] == [int(levels(each, 3.0)[10, 10]) for each in loss]


# what is said


def test_a_name_is_text_whatever_is_in_it(tmp_path):
    page, _, _ = made(picture(), tmp_path, name='<script>alert("mud")</script>.tif')
    assert 1 == page.count("<script")
    assert "&lt;script&gt;alert(&#34;mud&#34;)&lt;/script&gt;.tif" in page


def test_the_policy_allows_what_is_in_the_page_and_nothing_else(tmp_path):
    page, _, _ = made(picture(), tmp_path)
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]+)"', html.unescape(page))
    for element, directive in (("style", "style-src"), ("script", "script-src")):
        (text,) = re.findall(f"<{element}>(.*?)</{element}>", page, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{directive} 'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none'; img-src data:;")
    assert set() == {
        src for src in re.findall(r'(?:src|href)="([^"]*)"', page) if src[:5] != "data:"
    } - {f"#place-{number}" for number in range(1, 9)}
    assert "style=" not in re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL)


@pytest.mark.slow
def test_a_page_of_noise_is_still_small(tmp_path):
    rng = np.random.default_rng(3)
    pixels = rng.integers(0, 65536, (1024, 1024, 3), dtype=np.uint16)
    page, _, _ = made(pixels, tmp_path)
    assert MOST_BYTES > len(page.encode()) > MOST_BYTES / 2


def test_quality_is_given_up_until_pictures_fit():
    noise = np.random.default_rng(4).integers(0, 256, (64, 64, 3), dtype=np.uint8)
    best = as_uris({"a": noise}, 10**9)["a"]
    assert len(as_uris({"a": noise}, len(best) - 1)["a"]) < len(best)
    assert as_uris({"a": noise}, 1) == as_uris({"a": noise}, 2)  # the last of QUALITIES
    assert sorted(QUALITIES, reverse=True) == list(QUALITIES)


def medium(**more):
    given = {"profile": "p.icc", "surface": "canvas", "viewing_distance": "2 m"}
    return Medium.model_validate(given | more)


def asked(**more):
    return make_job(SPEC, viewing_distance="2 m", **more)


SPEC = RasterSpec(2400, 1600, Encoding.RGB, ppi=101.6)  # 600 × 400 mm


def test_a_spoilt_print_costs_its_area():
    priced = medium(cost_per_square_metre="62 GBP")
    assert "14.88 GBP" == str(facts.cost(SPEC, priced))  # 0.24 m² of it
    assert facts.cost(SPEC, medium()) is None
    assert facts.cost(replace(SPEC, ppi=0.0), priced) is None


def test_size_and_sharpness_are_said_with_what_the_distance_needs():
    size, pixels, sharp = facts.size_facts(replace(SPEC, enlargement=2.0), asked())
    assert "600 × 400 mm (23.6 × 15.7 in)" == size.value
    assert "2400 × 1600 px" == pixels.value
    # 3437.75 / 78.74 in = 43.7 ppi at two metres: one minute of arc
    assert "51 of the picture's own pixels per inch: enough" == sharp.value
    # people who look closely see twice as fine
    expected = (
        "It stays sharp from there up to 698 × 465 mm, and to a close look up to 349 × 232 mm."
    )
    assert f"Looking from 2 m, 44 do. {expected}" == sharp.note
    # a wrap goes around the edge: what is looked at is the front alone
    wrapped = replace(SPEC, enlargement=2.0, front_px=(SPEC.width_px // 2, SPEC.height_px // 2))
    assert "up to 349 × 232 mm, and" in facts.size_facts(wrapped, asked())[-1].note


def test_the_largest_size_agrees_with_what_the_destination_asks_for():
    job = asked()
    job.tell(PixelsWanted(100.0))
    note = facts.size_facts(replace(SPEC, enlargement=2.0), job)[-1].note
    # 1200 × 800 pixels of its own
    assert f"{job.destination} asks for 100: at most 304 × 203 mm." in note


def test_too_few_pixels_are_said_so():
    sharp = facts.size_facts(replace(SPEC, enlargement=4.0), asked())[-1]
    assert "25 of the picture's own pixels per inch: too few" == sharp.value
    assert sharp.note.startswith("Looking from 2 m, an eye can tell 44; the print will look soft.")


def test_a_sheet_does_not_call_enough_what_its_job_warns_of():
    job = asked()
    job.warn("few-pixels", "Fewer than asked for.")
    sharp = facts.size_facts(replace(SPEC, enlargement=2.0), job)[-1]
    assert sharp.value.endswith(f"fewer than {job.destination} asks for")
    assert "Looking from 2 m, 44 would do." in sharp.note


def test_a_screen_has_pixels_only():
    (size,) = facts.size_facts(SPEC, asked(surface="screen"))
    assert "2400 × 1600 px" == size.value


def test_what_was_decided_is_told_with_its_reason(tmp_path):
    page, _, _ = made(picture(), tmp_path, replace(spec_of(picture(), WIDE_RGB), enlargement=1.5,
                      profile_assumed=True), notes=("Turned upright by its tag.",))  # fmt: skip
    for said in ("Relative colorimetric", "Compensated", "Enlarged to 150 %", "Assumed, because",
                 "Turned upright by its tag.", CANVAS.description):  # fmt: skip
        assert said in page


def test_hues_of_the_chart_are_those_of_the_picture(tmp_path):
    page, _, _ = made(picture(), tmp_path)
    rows = re.findall(r'<th scope="row">([a-z-]+)</th>.*?<td>([^<]+)</td><td>([^<]+)</td>', page)
    assert {hue for hue, _, _ in rows} <= set(HUES)
    assert [("green", "25 %", "100 % of it lost"), ("grey", "75 %", "all kept")] == rows


def test_what_to_do_names_job_and_folders(tmp_path):
    page, _, _ = made(picture(), tmp_path)
    for said in ("hotfolder release job-1", "release/wall/", "in/wall/", "ISO 3664", "test strip"):
        assert said in page


def test_a_picture_without_a_profile_is_held():
    pixels = picture()
    spec = spec_of(pixels, None)
    with pytest.raises(Hold, match="Embed the profile it was made in and drop it again"):
        make_stage(ProofSheet, {}).open(spec, job_of(spec, profile=CANVAS))


def striped(height=1024, width=2048):
    """Flat, with fine stripes in its upper right corner."""
    pixels = np.full((height, width, 3), 30000, np.uint16)
    pixels[:256, -256:, :] += (np.arange(256, dtype=np.uint16) // 4 % 2 * 20000)[None, :, None]
    return pixels


@pytest.mark.parametrize("rows", [1, 100, 700, 5000])
def test_the_height_of_the_bands_changes_no_place(rows):
    pixels = np.random.default_rng(4).integers(0, 65536, (1100, 2048, 3), np.uint16)

    def look_up(codes):
        return codes[..., :2]

    whole, other = collected(pixels, look_up=look_up), collected(pixels, look_up=look_up, rows=rows)
    for one, same in zip(whole.places(4), other.places(4), strict=True):
        assert one == same
        np.testing.assert_array_equal(one.pixels, same.pixels)
    np.testing.assert_array_equal(whole.reduced().pixels, other.reduced().pixels)
    np.testing.assert_array_equal(whole.reduced().loss, other.reduced().loss)


def test_one_of_the_places_shows_detail_where_all_that_is_lost_is_flat():
    def look_up(codes):  # everything on the left is lost, more the further down
        loss = np.zeros((*codes.shape[:2], 2), np.uint16)
        loss[:, : codes.shape[1] // 2] = 20000
        return loss

    places = collected(striped(), look_up=look_up).places(4)
    assert [False, False, False, True] == [place.is_for_detail for place in places]
    assert (1792, 0) == (places[-1].left_px, places[-1].top_px)
    assert not any(each.is_for_detail for each in collected(picture(), look_up=look_up).places(1))


@pytest.mark.parametrize("shape", [(1024, 2048), (1000, 700), (90, 70)])
def test_places_that_are_asked_for_are_shown_in_their_order(shape):
    pixels = np.zeros((*shape, 3), np.uint16)
    spec = spec_of(pixels, SRGB)
    size = (spec.width_px, spec.height_px)
    asked_for = [(0.5, 0.5), (0.0, 0.0), (1.0, 1.0)]
    nothing = lambda codes: np.broadcast_to(NOTHING, (*codes.shape[:2], 2))  # noqa: E731
    collector = WorstPlaces(SRGB, size, nothing, 3.0, asked_for)
    for band in cut(pixels, collector.rows):
        collector.add(band.top, band.pixels)
    found = collector.places(3)
    for (x, y), place in zip(asked_for, found, strict=True):
        assert place.left_px <= x * size[0] <= place.left_px + place.width_px
        assert place.top_px <= y * size[1] <= place.top_px + place.height_px + 128


@pytest.mark.parametrize("down", [0.3, 0.45, 0.5, 0.62])
def test_a_place_that_is_asked_for_is_in_the_middle_of_its_piece(down):
    """Not in the rows of the strip that happens to hold it, half a piece away."""
    pixels = np.arange(1024, dtype=np.uint16)[:, None, None] * np.ones((1, 2048, 3), np.uint16)
    collector = WorstPlaces(SRGB, (2048, 1024), unmoved, 3.0, [(0.5, down)])
    for band in cut(pixels, collector.rows):
        collector.add(band.top, band.pixels)
    (place,) = collector.places(1)
    assert abs(place.top_px + place.height_px / 2 - down * 1024) <= 1
    assert abs(place.left_px + place.width_px / 2 - 1024) <= 1
    assert place.top_px == place.pixels[0, 0, 0]
    assert place.height_px == len(np.unique(place.pixels))


def test_no_place_lies_in_the_wrap_of_a_canvas():
    """What is lost most lies in it; of the face, the worst is shown."""

    def look_up(codes):
        loss = np.zeros((*codes.shape[:2], 2), np.uint16)
        loss[..., 0] = codes[..., 0]
        return loss

    pixels = np.full((1024, 2048, 3), 60000, np.uint16)
    face = (150, 130, 1748, 764)
    pixels[130:894, 150:1898] = 1000
    pixels[300:500, 900:1100] = 30000
    collector = WorstPlaces(SRGB, (2048, 1024), look_up, 3.0, face_px=face)
    for band in cut(pixels, collector.rows):
        collector.add(band.top, band.pixels)
    found = collector.places(4)
    assert 30000 == found[0].pixels.max()
    for place in found:
        assert 60000 not in place.pixels
        assert place.left_px >= 150
        assert place.left_px + place.width_px <= 1898
        assert place.top_px >= 130
        assert place.top_px + place.height_px <= 894


def test_fold_and_trim_are_drawn(tmp_path):
    pixels = picture()
    spec = replace(spec_of(pixels, WIDE_RGB), front_px=(200, 150))
    folded, _, _ = made(pixels, tmp_path, spec)
    assert 'class="over" x="25.0" y="25.0" width="50.0" height="50.0"' in folded
    assert "folded around the bars" in folded
    (tmp_path / "trim").mkdir()
    trimmed, _, _ = made(pixels, tmp_path / "trim", replace(spec, bleed_px=100))
    assert "trimmed" in trimmed
    (tmp_path / "all").mkdir()
    assert 'class="over"' not in made(pixels, tmp_path / "all")[0]


def test_what_is_cropped_is_shown_on_sheet_and_thumbnail(tmp_path):
    pixels = picture(100, 400)
    spec = spec_of(pixels, WIDE_RGB)
    whole = np.full((300, 400, 3), 20000, np.uint16)
    told = Cropped(2 / 3, Area(0, 1 / 3, 1, 1 / 3), whole, spec_of(whole, WIDE_RGB))
    job = job_of(spec, profile=CANVAS, folder=tmp_path, beside=[conversion()])
    job.tell(told)
    run_stage(make_stage(ProofSheet, {}), pixels, spec, job, 40)
    page = (tmp_path / "sheet.html").read_text("utf-8")
    assert "66.7 % of the picture’s area is cut off" in page
    assert (400, 300) == embedded(page, "what is cut off is washed out").size
    small = Image.open(tmp_path / "thumbnail.jpg")
    assert (320, 240) == small.size  # the whole picture's shape
    washed, kept = (np.asarray(small)[row, 40].astype(int) for row in (20, 120))
    assert abs(washed.mean() - 128) < abs(washed.mean() - 0)
    assert washed.tolist() != kept.tolist()


def test_the_page_carries_the_numbers_of_both_sides(tmp_path):
    pixels = np.empty((300, 400, 3), np.uint16)
    pixels[:, :200], pixels[:, 200:] = (60000, 20000, 10000), (9000, 50000, 20000)
    relative = conversion(intent="relative colorimetric", precision="exact")
    page, _, _ = made(pixels, tmp_path, beside=[relative])
    numbers = np.frombuffer(numbers_of(page), "<i2")
    width, height = numbers[1:3]
    planes = numbers[6:].reshape(6, height, width) / 10
    source, canvas = WIDE_RGB, CANVAS
    transform = Transform(source, canvas, Intent.RELATIVE_COLORIMETRIC)
    for column, piece in ((10, pixels[:1, :1]), (width - 10, pixels[:1, -1:])):
        before, after = to_lab(source, piece), to_lab(canvas, transform.apply(piece))
        assert before.ravel() == pytest.approx(planes[:3, 20, column], abs=0.06)
        assert after.ravel() == pytest.approx(planes[3:, 20, column], abs=0.06)


def test_when_the_medium_was_measured_stands_on_the_sheet(tmp_path):
    rng = np.random.default_rng(5)
    expected = np.column_stack([rng.uniform(20, 94, 24), rng.uniform(-30, 30, (24, 2))])
    found = expected + np.array([0.0, 0.0, 1.5])
    standing = MediumStanding(
        measured="2026-11-20T10:00:00Z",
        age_s=8 * 86400.0,
        mean_delta_e_00=1.1,
        expected=tuple(map(tuple, expected.tolist())),
        found=tuple(map(tuple, found.tolist())),
    )
    page, _, _ = made(picture(60, 80), tmp_path, standing=standing)
    assert "8 days ago: 1.1 ΔE00 off" in page
    said = re.search(r"(\d\.\d) ± (\d\.\d) ΔE00 from what is shown here, yellower", page)
    assert float(said[1]) == pytest.approx(1.0, abs=0.5)
    page, _, _ = made(picture(60, 80), tmp_path, standing=MediumStanding())
    assert "Never measured" in page
    assert "from what is shown here" not in page


def test_the_light_in_which_it_is_judged_stands_on_the_sheet_in_one_line(tmp_path):
    pixels = picture(60, 80)
    spec = spec_of(pixels, WIDE_RGB)
    job = job_of(spec, profile=CANVAS, folder=tmp_path, beside=[conversion()])
    viewing = Viewing(where="wall", illuminance="150 lx", colour_of_light="2700 K")
    for medium, said in ((job.medium, 0), (job.medium.model_copy(update={"viewing": viewing}), 1)):
        run_stage(make_stage(ProofSheet, {}), pixels, spec, replace(job, medium=medium), 40)
        page = (tmp_path / "sheet.html").read_text("utf-8")
        assert said == page.count("On the wall where it will hang: 150 lx, 2700 K")
