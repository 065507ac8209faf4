"""Colours that were not measured: the stated uncertainty holds for printers that drift."""

import numpy as np
import pytest

from hotfolder.colour.measured_change import fit_change
from hotfolder.measured.choosing import absolute_lab
from hotfolder.settings.files import load_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry


@pytest.fixture
def profile(root):
    file = root.destinations / "fine-art-canvas.toml"
    return load_destination(file, load_registry(), Intake()).profile


def drift(device, kind, rng_seed):
    """Device values of a printer whose tones have moved, and what its paper adds."""
    rng = np.random.default_rng(rng_seed)
    moved, paper = device.copy(), np.zeros(3)
    if kind == "tones":
        for channel in range(device.shape[1]):
            for knot in (0.25, 0.5, 0.75):
                bump = np.clip(1 - np.abs(device[:, channel] - knot) / 0.25, 0, 1)
                moved[:, channel] += rng.normal(0, 0.02) * bump
    elif kind == "clogged":
        channel = rng.integers(device.shape[1])
        moved[:, channel] = 1 - (1 - moved[:, channel]) * rng.uniform(0.6, 0.9)
    elif kind == "paper":
        paper = rng.normal(0, 1.5, 3)
    return moved.clip(0, 1), paper


def holds(profile, strip, kind, runs=12, noise=0.2):
    """Share of unmeasured colours' coordinates within 1.96 standard deviations, and the errors."""
    within, errors, sds = [], [], []
    for run in range(runs):
        fresh = np.random.default_rng(100 + run).uniform(0, 1, (300, 3))
        labs = []
        for device in (strip.device, fresh):
            moved, paper = drift(device, kind, run)
            as_made = absolute_lab(profile, moved)
            labs.append(as_made + paper * (as_made[:, :1] / 100) ** 2)
        measured = labs[0] + np.random.default_rng(run).normal(0, noise, labs[0].shape)
        expected = absolute_lab(profile, fresh)
        change, sd = fit_change(strip.lab, measured).predict(expected)
        error = labs[1] - expected - change
        within.append(np.abs(error) <= 1.96 * sd)
        errors.append(error)
        sds.append(sd)
    return np.mean(within), np.sqrt(np.mean(np.square(errors))), np.sqrt(np.mean(np.square(sds)))


@pytest.mark.parametrize("kind", ["none", "paper", "tones", "clogged"])
def test_95_of_100_intervals_hold(profile, strip, kind):
    share, error, sd = holds(profile, strip, kind)
    assert share >= 0.95
    assert sd < 3 * error  # not by saying that nothing is known


def test_a_shift_of_all_patches_is_one_of_all_colours(strip):
    change, sd = fit_change(strip.lab, strip.lab + np.array([0.5, -0.3, 1.0])).predict(
        strip.lab + 3.0
    )
    assert np.allclose([0.5, -0.3, 1.0], change, atol=0.1)
    assert sd.max() < 0.3
