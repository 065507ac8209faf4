"""A profile of the light, made from a chart: what it says, and that two readers agree."""

from dataclasses import replace
from functools import lru_cache

import iccdev
import numpy as np
import pytest

from hotfolder import Encoding, Hold
from hotfolder.colour import Profile, delta_e_00, to_lab, tone_of, xyz_to_lab
from hotfolder.stages.roles import LightFindings
from hotfolder.testing import make_job, make_stage, run_stage
from hotfolder_stages.reference import LightProfile, Reference
from hotfolder_stages.reference.chart import reference_xyz
from hotfolder_stages.reference.correcting import RecordedCorrection, apply_to
from hotfolder_stages.reference.light_profile import find_scale, make_light_profile
from hotfolder_stages.reference.reduced import Space
from reference.devices import demo_printer
from stages import chart_scenes as scenes
from stages.driving import SRGB, spec_of

SPACE = Space(SRGB, tone_of(SRGB).matrix)
CURVE = {"from": [[0.0, 0.3, 0.6, 0.9]] * 3, "to": [[0.0, 0.25, 0.6, 0.95]] * 3}
WARM = [[0.5, 0.3, 0.1], [0.25, 0.6, 0.1], [0.02, 0.1, 0.9]]
TABLE = [[*row, 0.02, -0.01, 0.01] for row in WARM]


@lru_cache(maxsize=2)
def codes_of(case):
    made = scenes.scene(6, case, 768, size=0.4, light_name="A", balanced_for="A")
    return made.codes.astype(np.uint16) * np.uint16(257)


def make(folder, pixels, profile=SRGB):
    spec = spec_of(pixels, profile)
    job = make_job(spec, folder=folder, name="chart.jpg")
    done = run_stage(make_stage(LightProfile, {}), pixels, spec, job)
    return LightFindings.model_validate(done.findings), folder / "light.icc"


@pytest.mark.parametrize("curve", [None, CURVE], ids=["straight", "curve"])
@pytest.mark.parametrize(("kind", "matrix"), [("matrix", WARM), ("root-polynomial", TABLE)])
def test_two_readers_see_the_same_colours_in_it_and_those_that_were_fitted(
    kind, matrix, curve, tmp_path
):
    recorded = RecordedCorrection(kind=kind, matrix=matrix, curve=curve)
    path = tmp_path / "light.icc"
    path.write_bytes(make_light_profile(recorded, SPACE, "Light of an evening"))
    profile = Profile.load(path)
    assert ("scnr", Encoding.RGB) == (profile.device_class, profile.encoding)
    assert "Light of an evening" == profile.description
    rng = np.random.default_rng(2)
    codes = rng.integers(6000, 65535, (200, 3), dtype=np.uint16)
    ours = to_lab(profile, codes[None])[0]
    scale = find_scale(recorded)
    light = SPACE.light(np.ascontiguousarray(codes.T)).T.astype(np.float64)
    wanted = xyz_to_lab(np.array([apply_to(recorded, each) for each in light]) * scale)
    # a table's interpolation is coarse beside the gamut's edge
    assert delta_e_00(wanted, ours).mean() < 0.15
    cmm = iccdev.IccCmm()
    cmm.attach(str(path), intent=iccdev.Intent(1), interp=iccdev.Interpolation.Linear)
    cmm.begin()
    theirs = cmm.apply_ndarray((codes / 65535).astype(np.float32))
    if recorded.kind == "matrix":
        theirs = xyz_to_lab(theirs.astype(np.float64) * (1 + 32767 / 32768))
    else:
        theirs = theirs * [100, 255, 255] - [0, 128, 128]
    assert delta_e_00(ours, theirs).mean() < 0.1


def test_the_chart_comes_out_within_the_error_that_it_says(tmp_path):
    pixels = codes_of("turned")
    found, path = make(tmp_path, pixels)
    assert f"ΔE00 {found.leave_one_out_delta_e_00:.1f}" in found.description
    assert found.description == Profile.load(path).description
    assert found.read_back_delta_e_00 < 0.2
    # read from the picture again, by the profile alone; its light falls off by a few percent
    made = scenes.scene(6, "turned", 768, size=0.4, light_name="A", balanced_for="A")
    x, y = np.rint(made.centres).astype(int).T
    patches = np.stack(
        [pixels[b - 4 : b + 5, a - 4 : a + 5].mean(axis=(0, 1)) for a, b in zip(x, y, strict=True)]
    )
    lab = to_lab(Profile.load(path), np.rint(patches).astype(np.uint16)[None])[0]
    # exposure is left as it is: brought to that of the chart by its greys
    levels = ((lab[:, 0] + 16) / 116) ** 3 / reference_xyz()[:, 1]
    wanted = xyz_to_lab(reference_xyz() * np.median(levels[18:23]))
    assert np.median(delta_e_00(wanted, lab)) < found.leave_one_out_delta_e_00 + 0.7


def test_used_as_the_source_it_takes_the_place_of_the_pictures_own(tmp_path):
    pixels = codes_of("turned")
    _, path = make(tmp_path, pixels)
    spec = spec_of(pixels, SRGB)
    job = replace(make_job(spec), profiles=tmp_path)
    done = run_stage(make_stage(Reference, {"light_profile": path.name}), pixels, spec, job)
    assert Profile.load(path).sha256 == done.spec.profile.sha256
    assert done.spec.profile_chosen
    assert Profile.load(path).description == done.findings["profile_chosen"]
    assert np.array_equal(pixels, done.pixels)


@pytest.mark.parametrize("name", ["none.icc", "grey.icc"])
def test_a_profile_that_cannot_be_used_holds_the_picture(name, tmp_path):
    pixels = codes_of("turned")
    (tmp_path / "grey.icc").write_bytes(demo_printer("matte-canvas", "4.4").data[:100])
    job = replace(make_job(spec_of(pixels, SRGB)), profiles=tmp_path)
    stage = make_stage(Reference, {"light_profile": name})
    with pytest.raises(Hold, match=f"{name}, cannot be used"):
        run_stage(stage, pixels, spec_of(pixels, SRGB), job)


def test_without_a_chart_none_is_made(tmp_path):
    with pytest.raises(Hold, match="no 24-patch chart"):
        make(tmp_path, np.full((60, 60, 3), 30000, np.uint16))


def test_a_picture_whose_codes_are_no_light_makes_none(tmp_path):
    with pytest.raises(Hold, match="curves and a matrix"):
        make(tmp_path, np.full((60, 60, 3), 30000, np.uint16), demo_printer("matte-canvas", "4.4"))
