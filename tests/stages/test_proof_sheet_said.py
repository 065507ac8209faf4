"""Stage proof-sheet: what stands beside its pictures, and what is drawn into them."""

import base64
import hashlib
import html
import re
import shlex
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from hotfolder import (
    Area,
    Cropped,
    Hold,
    PixelsWanted,
)
from hotfolder.colour.engine import to_lab
from hotfolder.colour.hues import HUES
from hotfolder.colour.transform import Transform
from hotfolder.model.destination import Viewing
from hotfolder.model.intent import Intent
from hotfolder.model.standing import MediumStanding
from hotfolder.testing import make_stage, run_stage
from hotfolder.work.comparison import numbers_of
from hotfolder_stages.proof_sheet import ProofSheet, facts
from reference.devices import WIDE_RGB
from stages.driving import job_of, spec_of
from stages.sheets import CANVAS, SPEC, asked, conversion, embedded, made, medium, picture

pytestmark = pytest.mark.slow


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


@pytest.mark.parametrize("is_trial", [False, True])
def test_commands_of_a_sheet_are_for_the_root_in_whatever_folder_one_is(tmp_path, is_trial):
    root = tmp_path / "the print room"
    page, _, _ = made(picture(), tmp_path, root=root, is_trial=is_trial)
    said = [html.unescape(each) for each in re.findall("<code>(hotfolder .*?)</code>", page)]
    assert len(said) >= 2
    for each in said:
        assert str(root) in shlex.split(each), each


def test_a_picture_without_a_profile_is_held():
    pixels = picture()
    spec = spec_of(pixels, None)
    with pytest.raises(Hold, match="Embed the profile it was made in and drop it again"):
        make_stage(ProofSheet, {}).open(spec, job_of(spec, profile=CANVAS))


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
    for lit, said in ((job.medium, 0), (job.medium.model_copy(update={"viewing": viewing}), 1)):
        run_stage(make_stage(ProofSheet, {}), pixels, spec, replace(job, medium=lit), 40)
        page = (tmp_path / "sheet.html").read_text("utf-8")
        assert said == page.count("On the wall where it will hang: 150 lx, 2700 K")
