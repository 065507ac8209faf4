"""Stage proof-sheet: what is rendered, and how a page holds it. `browser` opens the page."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image, ImageCms

from hotfolder import (
    IntentChosen,
    ReachMeasured,
)
from hotfolder.colour.detail import Reach
from hotfolder.colour.engine import to_lab
from hotfolder.colour.loss import Route, losses, round_trip_noise
from hotfolder.colour.profile import lab_profile
from hotfolder.colour.proofing import soft_proof
from hotfolder.colour.transform import Transform
from hotfolder.model.intent import Intent
from hotfolder.model.rendering import Rendering
from hotfolder.model.standing import MediumStanding
from hotfolder.testing import make_stage, run_stage
from hotfolder_stages.gamut_check import GamutCheck
from hotfolder_stages.profile_conversion import ProfileConversion
from hotfolder_stages.proof_sheet import ProofSheet
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
from reference.devices import DISPLAY_P3, GREY, SRGB, WIDE_RGB, libvips
from stages.driving import job_of, spec_of
from stages.sheets import BOOK, CANVAS, conversion, embedded, made, picture

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("rows", [7, 300])
def test_pixels_pass_unchanged_and_the_page_does_not_depend_on_bands(rows, tmp_path):
    pixels = picture()
    (tmp_path / "other").mkdir()
    page, _, out = made(pixels, tmp_path, rows=rows)
    np.testing.assert_array_equal(pixels, out)
    assert made(pixels, tmp_path / "other", rows=41)[0] == page


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
