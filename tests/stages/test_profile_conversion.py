"""Stage profile-conversion."""

import numpy as np
import pytest
from pydantic import ValidationError

from hotfolder.colour import transform
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.engine import to_lab
from hotfolder.colour.loss import Route, wanted
from hotfolder.colour.profile import Profile, lab_profile
from hotfolder.colour.rendering import find_reach
from hotfolder.colour.transform import Precision, Transform
from hotfolder.errors import Hold
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent
from hotfolder.model.rendering import Rendering
from hotfolder.raster.picture import Band
from hotfolder.stages.messages import ColoursAhead
from hotfolder.testing import make_stage, run_stage
from hotfolder_stages.profile_conversion import ProfileConversion
from hotfolder_stages.profile_conversion import stage as module
from reference.devices import GREY, SRGB, WIDE_RGB, demo_printer, libvips, random_pixels
from stages.driving import job_of, spec_of

pytestmark = pytest.mark.slow

CMYK = libvips("cmyk")
CANVAS = demo_printer("matte-canvas", "4.4")
BOOK = demo_printer("coated-book", "2.4")
REFINED = {"rendering": "refined"}
DETAIL = {"rendering": "detail"}


def converted(pixels, spec, destination, settings=None, **more):
    stage = make_stage(ProfileConversion, settings or {})
    return run_stage(stage, pixels, spec, job_of(spec, profile=destination), **more)


def picture(channels=3, height=23, width=17):
    return random_pixels(channels, height * width).reshape(height, width, channels)


@pytest.fixture(autouse=True)
def small_pictures_go_through_the_grid_too(monkeypatch):
    """What is tested here of a grid holds for large pictures, which would take long."""
    monkeypatch.setattr(transform, "FEW_PIXELS", 0)


def test_a_small_picture_is_converted_exactly(monkeypatch):
    monkeypatch.setattr(transform, "FEW_PIXELS", 4_000_000)
    pixels = picture()
    out, _, findings, _ = converted(pixels, spec_of(pixels), CMYK)
    exact = Transform(SRGB, CMYK, precision=Precision.EXACT)
    np.testing.assert_array_equal(exact.apply(pixels), out)
    assert (0, 0) == (findings["bound_delta_e_00"]["mean"], findings["bound_delta_e_00"]["max"])


@pytest.mark.parametrize("source", [SRGB, GREY, CMYK], ids=lambda p: p.space)
@pytest.mark.parametrize("destination", [WIDE_RGB, GREY, CMYK], ids=lambda p: p.space)
def test_the_picture_comes_out_in_the_destinations_numbers(source, destination):
    pixels = picture(source.encoding.channels)
    out, spec, _, _ = converted(pixels, spec_of(pixels, source), destination)
    assert destination == spec.profile
    assert destination.encoding is spec.encoding
    np.testing.assert_array_equal(Transform(source, destination).apply(pixels), out)


@pytest.mark.parametrize("rows", [1, 5, 23])
@pytest.mark.parametrize("per_call", [50, 10_000])
def test_any_band_height_gives_the_same_pixels(rows, per_call, monkeypatch):
    monkeypatch.setattr(module, "PIXELS_PER_CALL", per_call)
    pixels = picture(height=8)
    out = converted(pixels, spec_of(pixels), CMYK, rows=rows)[0]
    np.testing.assert_array_equal(Transform(SRGB, CMYK).apply(pixels), out)


@pytest.mark.parametrize("intent", Intent)
@pytest.mark.parametrize("compensate", [True, False])
def test_settings_choose_the_conversion(intent, compensate):
    pixels = picture()
    settings = {
        "intent": intent.value,
        "black_point_compensation": compensate,
        "precision": "exact",
    }
    out, _, findings, _ = converted(pixels, spec_of(pixels), CMYK, settings)
    expected = Transform(
        SRGB, CMYK, intent, black_point_compensation=compensate, precision=Precision.EXACT
    )
    np.testing.assert_array_equal(expected.apply(pixels), out)
    assert findings["intent"] == intent.value
    assert findings["black_point_compensation"] is expected.compensates
    assert findings["flags"] == expected.flags


def test_findings_say_which_conversion_it_was():
    pixels = picture()
    findings = converted(pixels, spec_of(pixels), CMYK)[2]
    assert findings["source"] == {"description": "sRGB", "sha256": SRGB.sha256}
    assert findings["destination"] == {"description": "Chemical proof", "sha256": CMYK.sha256}
    assert findings["precision"] == "fine"
    bound = findings["bound_delta_e_00"]
    assert 0 < bound["mean"] <= 0.02
    assert bound["mean"] < bound["max"] <= 0.75
    assert bound["measured_colours"] > 500
    assert bound["grid_points"] == 129
    assert 0 <= bound["exact_share_of_colours"] < 0.1
    assert findings["engine"].startswith("lcms2")
    assert findings["notes"] == []


@pytest.mark.parametrize("rows", [7, 200])
def test_what_is_said_of_errors_holds_for_the_pictures_own_pixels(rows):
    pixels = random_pixels(3, 80_000).reshape(200, 400, 3)
    out, _, findings, _ = converted(pixels, spec_of(pixels), CMYK, rows=rows)
    exact = Transform(SRGB, CMYK, precision=Precision.EXACT).apply(pixels)
    off = delta_e_00(to_lab(CMYK, exact), to_lab(CMYK, out))
    said = findings["bound_delta_e_00"]
    assert said["mean"] == pytest.approx(off.mean(), rel=0.1)
    assert (off > said["max"] + 0.001).mean() <= said["share_beyond_max_at_most"]
    assert (said["pixels_drawn"], said["confidence"]) == (pytest.approx(2048, abs=60), 0.95)


@pytest.mark.parametrize(
    ("precision", "source", "mean", "largest"),
    [("exact", SRGB, 0, 0), ("fast", SRGB, 0.1, 2.5), ("fine", GREY, 0, 0)],
)
def test_findings_say_how_far_the_other_conversions_are(precision, source, mean, largest):
    pixels = picture(source.encoding.channels)
    settings = {"precision": precision}
    findings = converted(pixels, spec_of(pixels, source), WIDE_RGB, settings)[2]
    assert findings["bound_delta_e_00"]["mean"] == mean
    assert findings["bound_delta_e_00"]["max"] == largest


def test_separations_in_the_destinations_profile_pass_unchanged():
    pixels = picture(4)
    out, _, findings, _ = converted(pixels, spec_of(pixels, CMYK), Profile.parse(CMYK.data))
    np.testing.assert_array_equal(pixels, out)
    assert "no pixel was changed" in findings["notes"][0]


@pytest.mark.parametrize("destination", [SRGB, CMYK, demo_printer("matte-canvas", "4.4")])
def test_what_is_clear_becomes_the_medium(destination):
    pixels = picture()
    spec = spec_of(pixels, has_alpha=True)
    alpha = np.zeros(pixels.shape[:2], dtype=np.uint16)
    out, result, findings, _ = converted(pixels, spec, destination, alpha=alpha)
    paper = 0 if destination is CMYK else 65535
    assert abs(out.astype(int) - paper).max() <= 0.002 * 65535
    assert not result.has_alpha
    assert findings["alpha_laid_onto_white"] is True


def test_lab_pictures_need_no_profile():
    pixels = picture()
    spec = spec_of(pixels, None, encoding=Encoding.LAB)
    out = converted(pixels, spec, SRGB)[0]
    np.testing.assert_array_equal(Transform(lab_profile(), SRGB).apply(pixels), out)


@pytest.mark.parametrize(
    ("spec", "code", "said"),
    [
        (spec_of(picture(), None), "no-profile", "has no colour profile that can be used."),
        (
            spec_of(picture(), None, profile_problem="it was cut off"),
            "no-profile",
            "that can be used: it was cut off. Embed the profile it was made in",
        ),
        (
            spec_of(picture(4), SRGB, encoding=Encoding.CMYK),
            "wrong-profile",
            "The picture is CMYK, but its colour profile “sRGB” is for RGB.",
        ),
    ],
)
def test_numbers_without_meaning_are_held(spec, code, said):
    with pytest.raises(Hold) as held:
        ProfileConversion(ProfileConversion.Settings()).open(spec, job_of(spec, profile=CMYK))
    assert code == held.value.code
    assert said in held.value.message


def test_a_destination_that_only_describes_a_scanner_is_said():
    data = CMYK.data
    for tag in (b"B2A0", b"B2A1"):
        place = data.index(tag, 128)
        data = data[:place] + tag.lower() + data[place + 4 :]
    spec = spec_of(picture())
    with pytest.raises(Hold, match="describes an input device only") as held:
        ProfileConversion(ProfileConversion.Settings()).open(
            spec, job_of(spec, profile=Profile.parse(data))
        )
    assert held.value.code == "profiles-do-not-join"


def pale(height=8):
    """Colours most of which fit everywhere."""
    return picture(height=height) // 2 + 16384


@pytest.mark.parametrize("precision", ["exact", "fine"])
@pytest.mark.parametrize("printer", [CMYK, BOOK, CANVAS], ids=lambda p: p.description)
def test_refined_is_nearer_to_the_picture_than_the_table_with_no_more_ink(printer, precision):
    pixels = pale()
    by_table, refined = (
        converted(pixels, spec_of(pixels), printer, {"precision": precision, **more})[0]
        for more in ({}, REFINED)
    )
    asked = wanted(Route(SRGB, printer), pixels)
    table_off, off = (delta_e_00(asked, to_lab(printer, made)) for made in (by_table, refined))
    assert off.mean() < 0.7 * table_off.mean()
    if printer.encoding is Encoding.CMYK:
        more_ink = refined.sum(axis=-1, dtype=np.int64) - by_table.sum(axis=-1, dtype=np.int64)
        assert more_ink.mean() <= 0
        # A code an ink, for the table is asked by way of Lab; between a grid's points both bend.
        assert more_ink.max() <= (4 if precision == "exact" else 0.01 * 65535)


@pytest.mark.parametrize("precision", ["exact", "fine"])
@pytest.mark.parametrize("printer", [CMYK, CANVAS], ids=lambda p: p.description)
def test_refined_pixels_do_not_depend_on_the_height_of_bands(printer, precision):
    pixels = pale()
    settings = {**REFINED, "precision": precision}
    whole, single = (
        converted(pixels, spec_of(pixels), printer, settings, rows=rows)[0] for rows in (8, 1)
    )
    np.testing.assert_array_equal(whole, single)


@pytest.mark.slow
@pytest.mark.parametrize("printer", [CMYK, CANVAS], ids=lambda p: p.description)
def test_fine_keeps_its_promise_for_refined(printer):
    pixels = random_pixels(3, 3000)
    made = Transform(SRGB, printer, rendering=Rendering.REFINED)
    exact = Transform(SRGB, printer, precision=Precision.EXACT, rendering=Rendering.REFINED)
    off = delta_e_00(*(to_lab(printer, each.apply(pixels)) for each in (made, exact)))
    assert 0 < off.mean() <= 0.02
    assert off.max() <= 0.75


def test_refined_is_recorded_with_how_well_the_profile_was_read():
    pixels = pale()
    findings = converted(pixels, spec_of(pixels), CMYK, REFINED)[2]
    assert ("refined", "relative colorimetric") == (findings["rendering"], findings["intent"])
    assert 0 < findings["measurement_model_delta_e_00"]["mean"] <= 0.02
    assert 0 < findings["bound_delta_e_00"]["mean"] <= 0.02
    findings = converted(pixels, spec_of(pixels), CMYK)[2]
    assert ("intent", None) == (findings["rendering"], findings["measurement_model_delta_e_00"])


def test_refined_compensates_for_black_as_it_is_told():
    pixels = np.zeros((1, 1, 3), np.uint16) + np.uint16(6000)
    lightness = {}
    for compensates in (True, False):
        settings = {**REFINED, "black_point_compensation": compensates}
        out, _, findings, _ = converted(pixels, spec_of(pixels), CANVAS, settings)
        assert findings["black_point_compensation"] is compensates
        lightness[compensates] = to_lab(CANVAS, out)[0, 0, 0]
    original = to_lab(SRGB, pixels)[0, 0, 0]
    assert original + 5 < lightness[True]
    assert lightness[False] < lightness[True] - 2


@pytest.mark.parametrize("destination", [WIDE_RGB, GREY], ids=lambda p: p.description)
def test_without_a_table_refined_is_the_same_as_the_intent(destination):
    pixels = pale()
    out, _, findings, _ = converted(pixels, spec_of(pixels), destination, REFINED)
    np.testing.assert_array_equal(Transform(SRGB, destination).apply(pixels), out)
    assert "no table; refined is the same" in findings["notes"][0]


@pytest.mark.parametrize("source", [GREY, CMYK, lab_profile()], ids=lambda p: p.description)
def test_every_kind_of_picture_can_be_refined(source):
    pixels = picture(source.encoding.channels, height=4)
    if source.encoding is Encoding.LAB:  # most of Lab is no colour that there is
        pixels = np.full((4, 17, 3), 32896, np.uint16)
    named = None if source.encoding is Encoding.LAB else source
    spec = spec_of(pixels, named, encoding=source.encoding)
    out = converted(pixels, spec, BOOK, REFINED)[0]
    exact = Transform(source, BOOK, precision=Precision.EXACT, rendering=Rendering.REFINED)
    assert delta_e_00(*(to_lab(BOOK, made) for made in (out, exact.apply(pixels)))).mean() < 0.2


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"intent": "least loss"}, 'for intent = "least loss", rendering = "intent"'),
        ({"intent": "perceptual"}, 'intent = "relative colorimetric" with rendering = "refined"'),
        ({"intent": "absolute colorimetric"}, 'intent = "relative colorimetric" with'),
        ({"precision": "fast"}, 'precision = "fine" or "exact" with rendering = "refined"'),
    ],
)
def test_what_does_not_go_with_refined_is_refused(settings, said):
    with pytest.raises(ValidationError, match=said):
        make_stage(ProfileConversion, {**REFINED, **settings})
    if "least" not in said:
        intent = Intent(settings.get("intent", "relative colorimetric"))
        precision = Precision(settings.get("precision", "fine"))
        with pytest.raises(ValueError, match="does not go with"):
            Transform(SRGB, CMYK, intent, precision=precision, rendering=Rendering.REFINED)


def detail_of(pixels, destination, folder, **more):
    folder.mkdir()
    spec = spec_of(pixels)
    job = job_of(spec, profile=destination, folder=folder)
    done = run_stage(make_stage(ProfileConversion, DETAIL), pixels, spec, job, **more)
    assert list(folder.iterdir()) == []  # the scratch file is gone
    return done


@pytest.mark.slow
def test_detail_looks_at_the_whole_picture_before_it_converts(monkeypatch, tmp_path):
    monkeypatch.setattr(module, "PIXELS_PER_CALL", 600)
    pixels = picture(height=300)
    outs = [detail_of(pixels, CANVAS, tmp_path / f"{rows}", rows=rows)[0::2] for rows in (300, 31)]
    reach = find_reach(SRGB, CANVAS, pixels)
    made = Transform(SRGB, CANVAS, rendering=Rendering.DETAIL, reach=reach)
    for out, findings in outs:
        np.testing.assert_array_equal(made.apply(pixels), out)
        assert ("detail", "relative colorimetric") == (findings["rendering"], findings["intent"])
        assert reach.sha256 == findings["reach"]["sha256"]
        assert 1.2 < findings["reach"]["largest"] <= 4


def colours_ahead(pixels):
    return ColoursAhead(
        pixels.shape[1],
        len(pixels),
        lambda rows: [Band(each.start, pixels[each.start : each.stop]) for each in rows],
    )


class NoRows:
    def __init__(self, *_, **__):
        raise AssertionError("bands wait for a large picture that was to be looked at ahead")


@pytest.mark.parametrize("settings", [DETAIL, {"intent": "least loss"}], ids=str)
def test_a_large_picture_whose_colours_are_told_is_looked_at_ahead(settings, monkeypatch):
    pixels = picture(height=700, width=600)
    spec = spec_of(pixels)
    waited, _, before, _ = run_stage(
        make_stage(ProfileConversion, settings), pixels, spec, job_of(spec, profile=CANVAS)
    )
    monkeypatch.setattr(module, "_IN_MEMORY_BYTES", pixels.nbytes - 1)
    monkeypatch.setattr(module, "ScratchRows", NoRows)
    job = job_of(spec, profile=CANVAS)
    job.tell(colours_ahead(pixels))
    out, _, findings, _ = run_stage(
        make_stage(ProfileConversion, settings), pixels, spec, job, rows=31
    )
    np.testing.assert_array_equal(waited, out)
    for key in ("rendering", "reach", "least_loss"):
        assert before[key] == findings[key]
    with pytest.raises(AssertionError, match="bands wait"):  # nobody tells its colours
        run_stage(
            make_stage(ProfileConversion, settings), pixels, spec, job_of(spec, profile=CANVAS)
        )


def test_what_is_told_ahead_may_have_another_size_and_decides(monkeypatch):
    """An enlargement's colours are those of the picture."""
    monkeypatch.setattr(module, "_IN_MEMORY_BYTES", 0)
    small = picture(height=300, width=200)
    pixels = np.repeat(np.repeat(small, 2, axis=0), 2, axis=1)
    spec, other = spec_of(pixels), pale(height=300)
    for told in (small, other):
        job = job_of(spec, profile=CANVAS)
        job.tell(colours_ahead(told))
        _, _, findings, _ = run_stage(make_stage(ProfileConversion, DETAIL), pixels, spec, job)
        assert find_reach(SRGB, CANVAS, told).sha256 == findings["reach"]["sha256"]


def test_another_picture_has_another_reach(tmp_path):
    rich, plain = picture(height=300), pale(height=300)
    found = [
        detail_of(each, CANVAS, tmp_path / f"{number}")[2]["reach"]
        for number, each in enumerate((rich, plain))
    ]
    assert found[0] != found[1]


@pytest.mark.slow
@pytest.mark.parametrize("printer", [CMYK, CANVAS, SRGB], ids=lambda p: p.description)
def test_fine_keeps_its_promise_for_detail(printer):
    pixels = random_pixels(3, 3000)
    source = WIDE_RGB if printer is SRGB else SRGB
    reach = find_reach(source, printer, pixels)
    made, exact = (
        Transform(source, printer, precision=each, rendering=Rendering.DETAIL, reach=reach)
        for each in (Precision.FINE, Precision.EXACT)
    )
    off = delta_e_00(*(to_lab(printer, each.apply(pixels)) for each in (made, exact)))
    assert off.mean() <= 0.02
    assert off.max() <= 0.75


@pytest.mark.parametrize("destination", [GREY, CMYK], ids=lambda p: p.description)
def test_where_there_are_no_hues_or_one_profile_only_detail_needs_no_look(destination):
    pixels = picture(destination.encoding.channels)
    source = destination if destination is CMYK else SRGB
    pixels = pixels if destination is CMYK else picture()
    out, _, findings, _ = converted(pixels, spec_of(pixels, source), destination, DETAIL)
    np.testing.assert_array_equal(Transform(source, destination).apply(pixels), out)
    assert findings["reach"] is None
    assert findings["notes"]


def test_depth_is_recorded_and_takes_the_place_of_compensation():
    pixels = picture() // 2
    out, _, findings, _ = converted(pixels, spec_of(pixels), CANVAS, {"depth": True})
    made = Transform(SRGB, CANVAS, depth=True)
    np.testing.assert_array_equal(made.apply(pixels), out)
    assert (findings["depth"], findings["black_point_compensation"]) == (True, False)
    plain = converted(pixels, spec_of(pixels), CANVAS)
    assert not plain[2]["depth"]
    assert (plain[0] != out).any()


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"intent": "perceptual"}, 'intent = "relative colorimetric" with depth = true'),
        ({"intent": "least loss"}, 'for intent = "least loss", depth = false'),
        ({"precision": "fast"}, 'precision = "fine" or "exact" with depth = true'),
        ({"black_point_compensation": False}, "black_point_compensation = true with depth"),
    ],
)
def test_what_does_not_go_with_depth_is_refused(settings, said):
    with pytest.raises(ValidationError, match=said):
        make_stage(ProfileConversion, {"depth": True, **settings})


@pytest.mark.parametrize("wrong", [{"intent": "vivid"}, {"precision": "best"}, {"intend": "x"}])
def test_settings_that_do_not_exist_are_refused(wrong):
    with pytest.raises(ValidationError):
        make_stage(ProfileConversion, wrong)
