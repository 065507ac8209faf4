"""Verdicts: numbers against a second way to compute them, sets of limits, drift and its words."""

import json

import numpy as np
import pytest

import colour
from hotfolder.errors import SettingsError
from hotfolder.measured.causes import describe_change
from hotfolder.measured.choosing import absolute_lab
from hotfolder.measured.limits import load_limits
from hotfolder.measured.verdict import judge
from hotfolder.settings.files import load_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from measuring import files

NAME = "fine-art-canvas"


@pytest.fixture
def profile(root):
    file = root.destinations / f"{NAME}.toml"
    return load_destination(file, load_registry(), Intake()).profile


def judged(strip, profile, lab, earlier=(), limits=None, name="s.txt", **how):
    return judge(
        files.cgats(strip, lab, **how).encode(),
        name=name,
        kept=f"kept/{name}",
        sha256="0" * 64,
        new_batch=False,
        destination=strip.destination,
        profile=profile,
        strips=[strip],
        make_strip="hotfolder strip",
        limits=limits or {},
        earlier=list(earlier),
    )


def test_numbers_are_those_of_colour_science(root, strip, printed, profile):
    limits = load_limits(root)
    said = judged(strip, profile, printed, limits=limits)
    apart = colour.delta_E(printed, strip.lab, method="CIE 2000")
    assert apart.mean() == pytest.approx(said.mean_delta_e_00, abs=1e-3)
    assert np.quantile(apart, 0.95) == pytest.approx(said.p95_delta_e_00, abs=1e-3)
    assert apart.max() == pytest.approx(said.max_delta_e_00, abs=1e-3)
    assert apart[0] == pytest.approx(said.paper_delta_e_00, abs=1e-3)
    greys = [at for at, each in enumerate(strip.patches) if each.kind == "grey"]
    cast = [np.hypot(*(printed[at] - strip.lab[at])[1:]) for at in greys]
    assert np.mean(cast) == pytest.approx(said.grey_delta_c_mean, abs=1e-3)
    assert {"house": True} == said.within  # sets for solid inks say nothing of RGB
    assert not any(each.alarm for each in said.drift.values())
    far = judged(strip, profile, printed + np.array([3.0, 0, 0]), limits=limits)
    assert {"house": False} == far.within


def test_cmyk_is_judged_by_its_solids_too(root, strips):
    book = strips["book-pages"]
    file = root.destinations / "book-pages.toml"
    profile = load_destination(file, load_registry(), Intake()).profile
    lab = book.lab.copy()
    said = judged(
        book, profile, lab, limits=load_limits(root), fields=("id", "cmyk", "lab"), scale=100
    )
    assert {"house": True, "iso-12647-2-2013-solids": True} == said.within
    assert 0 == pytest.approx(said.solid_cmy_delta_e_00_max, abs=1e-3)


def test_sets_of_limits_have_a_source_and_what_is_not_checked_is_off(root):
    for name, each in load_limits(root).items():
        assert each.source
        assert each.checked or not each.enabled, name
    root.limits.mkdir()
    (root.limits / "mine.toml").write_text('title = "x"\nchecked = true\n[limits]\nmean = 2\n')
    with pytest.raises(SettingsError, match=r"mine\.toml"):
        load_limits(root)
    (root.limits / "mine.toml").write_text(
        'title = "x"\nsource = "y"\nchecked = true\nenabled = true\n'
        "[limits]\nmean_delta_e_00 = 0.001\n"
    )
    assert load_limits(root)["mine"].is_within({"mean_delta_e_00": 0.5}) is False


def test_three_weeks_of_drift_alarm_once_with_the_first_print_concerned(strip, profile):
    rng = np.random.default_rng(5)
    verdicts = []
    for day in range(30):
        lab = strip.lab + rng.normal(0, 0.15, strip.lab.shape)
        if day >= 15:  # the paper of another batch: yellower
            lab = lab + [0.0, 0.0, 1.5] * (strip.lab[:, :1] / 94) ** 2
        verdicts.append(judged(strip, profile, lab, verdicts, name=f"day {day}.txt"))
    alarms = [each.has_alarm for each in verdicts]
    first = alarms.index(True)
    assert 15 <= first <= 18
    raised = [at for at, each in enumerate(verdicts) if each.drift["paper_b"].new]
    assert 1 == len(raised)
    assert "day 15.txt" == verdicts[raised[0]].drift["paper_b"].since
    assert verdicts[-1].drift["paper_b"].value > 0
    assert "yellower" in verdicts[first].words[0]
    assert "batch" in verdicts[first].words[0]


@pytest.mark.parametrize(("channel", "ink"), [(0, "cyan"), (1, "magenta"), (2, "yellow")])
@pytest.mark.parametrize("left", [0.8, 0.3])
def test_one_clogged_ink_is_named(strip, profile, channel, ink, left):
    device = strip.device.copy()
    device[:, channel] = 1 - (1 - device[:, channel]) * left
    lab = absolute_lab(profile, device)
    lab += np.random.default_rng(1).normal(0, 0.2, lab.shape)
    assert f"less {ink} ink" in describe_change(lab, strip.lab, strip, profile)
    said = judged(strip, profile, lab)  # it is accepted: it is what the printer does
    assert said.mean_delta_e_00 > 1


def test_noise_names_no_ink(strip, profile, printed):
    said = describe_change(printed, strip.lab, strip, profile)
    assert "ink" not in said


def test_a_verdict_is_a_line_of_strict_json(strip, profile, printed):
    line = judged(strip, profile, printed).model_dump_json()
    assert "\n" not in line
    said = json.loads(line)
    assert {"mean_delta_e_00", "p95_delta_e_00", "max_delta_e_00", "paper_delta_e_00"} <= set(said)
    assert {"grey_delta_c_mean", "within", "drift"} <= set(said)
    assert all({"value", "alarm"} <= set(each) for each in said["drift"].values())
