"""What the eye gets after the medium: the sharpening stage, then the medium's softening, measured.

The pictures are sines and edges in L*; the medium is a Gaussian of its stated width, laid over the
result by scipy, which the stage does not use for it.
"""

import warnings

import numpy as np
import pytest
from scipy import ndimage

from hotfolder.colour.profile import lab_profile
from hotfolder.model.destination import Surface
from hotfolder.testing import make_stage, run_stage
from hotfolder_stages.output_sharpening import OutputSharpening, strength
from reference.edges import mtf_of_slanted_edge
from stages.driving import job_of, spec_of

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it warns of plotting libraries that it does not find
    from colour.contrast import (
        contrast_sensitivity_function_Barten1999,
        pupil_diameter_Barten1999,
        retinal_illuminance_Barten1999,
        sigma_Barten1999,
    )

SURFACES = ["canvas", "newsprint", "matte", "lustre", "gloss", "screen"]


def lab_picture(lightness):
    """Neutral Lab pixels of L*."""
    pixels = np.full((*lightness.shape, 3), 32896, np.uint16)
    pixels[..., 0] = np.rint(lightness * 655.35)
    return pixels


def printed(lightness, surface, distance_mm, ppi, **values):
    """L* on the medium: sharpened, then softened by the medium and its square pixels."""
    pixels = lab_picture(lightness)
    spec = spec_of(pixels, lab_profile(), ppi=ppi)
    job = job_of(spec, surface, f"{distance_mm} mm")
    out, _, findings, _ = run_stage(make_stage(OutputSharpening, values), pixels, spec, job, 64)
    sigma = strength.spread_mm(Surface(surface)) / 25.4 * ppi
    made = out[..., 0] / 655.35
    return (ndimage.gaussian_filter(made, sigma) if sigma else made), findings


def wave(frequency_per_px, height=64, width=600, modulation=12.0):
    place = np.arange(width) - width / 2
    row = 50 + modulation * np.cos(2 * np.pi * frequency_per_px * place)
    return np.broadcast_to(row, (height, width)).copy()


def modulation(lightness, frequency_per_px):
    """Amplitude of a wave in the middle, by least squares."""
    row = lightness[len(lightness) // 2, 100:-100]
    place = np.arange(100, 100 + len(row)) - lightness.shape[1] / 2
    angle = 2 * np.pi * frequency_per_px * place
    basis = np.stack([np.cos(angle), np.sin(angle), np.ones_like(angle)], axis=1)
    solution, *_ = np.linalg.lstsq(basis, row, rcond=None)
    return np.hypot(*solution[:2])


def test_the_eyes_best_frequency_is_that_of_bartens_model():
    """White of 138 cd/m² (500 lx on a print, ISO 3664), a field of 10 degrees; sigma_0 = 0.5
    minutes and C_ab = 0.08 minutes per mm, Barten's own values."""
    frequencies = np.linspace(1, 12, 2201)
    pupil = pupil_diameter_Barten1999(138, 10, 10)
    sensitivity = contrast_sensitivity_function_Barten1999(
        u=frequencies,
        sigma=sigma_Barten1999(0.5 / 60, 0.08 / 60, pupil),
        E=retinal_illuminance_Barten1999(138, pupil),
        X_0=10,
        Y_0=10,
    )
    peak = frequencies[np.argmax(sensitivity)]
    assert strength.PEAK_CYCLES_PER_DEGREE == pytest.approx(peak, abs=0.05)


@pytest.mark.parametrize("surface", SURFACES)
@pytest.mark.parametrize(("distance_mm", "ppi"), [(350, 300), (500, 200), (1500, 150)])
def test_what_the_eye_sees_best_comes_out_of_the_medium_with_its_contrast(
    surface, distance_mm, ppi
):
    """And with the 3 % more that the fit over finer detail may add to it; to 1.5 %."""
    per_px = strength.best_frequency_per_mm(distance_mm, ppi) * 25.4 / ppi
    made, findings = printed(wave(per_px), surface, distance_mm, ppi, noise=0.0, most_noise=0.0)
    by_pixels = np.sinc(per_px)
    left = modulation(made, per_px) * by_pixels / 12.0
    assert findings["meant_share"] == pytest.approx(left, abs=0.015)
    assert findings["with_sharpening_share"] == pytest.approx(left, abs=0.015)
    assert 0.995 <= findings["meant_share"] <= 1.0301


@pytest.mark.parametrize("amplitude", [4.0, 10.0, 35.0])
@pytest.mark.parametrize(("distance_mm", "ppi"), [(350, 300), (500, 300), (500, 200)])
def test_a_wave_that_is_plainly_seen_gets_the_amount(distance_mm, ppi, amplitude):
    """At the aimed frequency, with the settings that a new root has: the guard against noise
    takes at most 2 % of the contrast, the limit at 35 L* another 1 %. What the record says was
    applied is what the eye gets."""
    per_px = strength.best_frequency_per_mm(distance_mm, ppi) * 25.4 / ppi
    picture = wave(per_px, height=200, modulation=amplitude)
    made, findings = printed(picture, "canvas", distance_mm, ppi)
    left = modulation(made, per_px) * np.sinc(per_px) / amplitude
    assert findings["meant_share"] == pytest.approx(left, abs=0.02 if amplitude < 20 else 0.03)
    assert findings["with_sharpening_share"] == pytest.approx(left, abs=0.02)


def test_a_wave_below_noise_is_recorded_as_left_alone():
    per_px = strength.best_frequency_per_mm(350, 300) * 25.4 / 300
    _, findings = printed(wave(per_px, modulation=0.3), "canvas", 350, 300)
    assert findings["applied_amount_share"] < 0.05
    assert findings["with_sharpening_share"] == pytest.approx(
        findings["medium_leaves_share"], abs=0.01
    )


@pytest.mark.parametrize(("distance_mm", "least"), [(350, 0.54), (500, 0.8), (1500, 0.98)])
def test_fine_detail_comes_out_of_canvas(distance_mm, least):
    """At 10 cycles per degree, of what the picture has there (fitted at 3.3 alone: 0.50 and 0.74);
    and between 3 and 10 nothing is lifted by more than 3 %."""
    used = strength.strength(0.16, distance_mm, 300)
    for degrees in (3, 4, 5.5, 7.5, 10):
        per_mm = degrees / np.radians(distance_mm)
        left = strength.transfer(0.16, per_mm, 300)
        rest = strength.kernel_response(used.radius_px, per_mm * 25.4 / 300)
        made = left * (1 + used.amount * (1 - rest))
        assert made <= 1.0301
    assert made >= least


@pytest.mark.parametrize("surface", SURFACES)
def test_nothing_that_is_seen_is_lifted_above_the_original(surface):
    """From a third to three times the eye's best frequency, medium and sharpening together leave
    at most 3 % more than the original has, and closer to it than the medium alone would."""
    distance_mm, ppi = 350, 300
    best = strength.best_frequency_per_mm(distance_mm, ppi) * 25.4 / ppi
    values = {"noise": 0.0, "most_noise": 0.0}
    for times in (1 / 3, 0.6, 1.0, 1.5, 2.0, 3.0):
        picture = wave(best * times, modulation=6.0)
        made, _ = printed(picture, surface, distance_mm, ppi, **values)
        left_alone, _ = printed(picture, surface, distance_mm, ppi, amount=0.0)
        pixels = np.sinc(best * times)
        with_it = modulation(made, best * times) * pixels / 6.0
        without = modulation(left_alone, best * times) * pixels / 6.0
        assert without <= with_it + 1e-3
        assert with_it <= 1.031
        assert abs(with_it - 1) <= abs(without - 1) + 1e-3


@pytest.mark.parametrize("surface", ["canvas", "matte", "gloss"])
def test_a_slanted_edge_has_the_response_of_the_filter(surface):
    """ISO 12233's method before and after; the ratio is 1 + amount (1 - kernel), to 8 %:
    the balance of light moves some of it to the dark side."""
    rows, columns = np.mgrid[:200, :240]
    distance = (columns - 119.5) * np.cos(np.radians(5)) + (rows - 99.5) * np.sin(np.radians(5))
    lightness = 45 + 12 * np.tanh(distance / 2)
    pixels = lab_picture(lightness)
    spec = spec_of(pixels, lab_profile(), ppi=300.0)
    values = {"noise": 0.0, "most_noise": 0.0, "halo_limit": 100.0}
    stage = make_stage(OutputSharpening, values)
    out, _, found, _ = run_stage(stage, pixels, spec, job_of(spec, surface, "350 mm"), 50)
    before = mtf_of_slanted_edge(pixels[..., 0] / 655.35, 5)
    after = mtf_of_slanted_edge(out[..., 0] / 655.35, 5)
    for frequency in (0.04, 0.08, 0.12, 0.16):
        kernel = np.exp(-2 * (np.pi * found["radius_px"] * frequency) ** 2)
        expected = 1 + found["amount"] * (1 - kernel)
        assert expected == pytest.approx(float(after(frequency) / before(frequency)), rel=0.08)


@pytest.mark.parametrize("surface", SURFACES)
@pytest.mark.parametrize("height_l", [10.0, 40.0, 70.0])
def test_halos_are_no_higher_and_no_wider_than_stated(surface, height_l):
    """Height: amount * step / 2 (of a Gaussian), half as much again on the dark side, 10 L* at
    most. Width, to a tenth of the height:
    1/50 inch, common practice, and a pixel for its sampling."""
    lightness = np.full((120, 240), 50 - height_l / 2)
    lightness[:, 120:] += height_l
    pixels = lab_picture(lightness)
    spec = spec_of(pixels, lab_profile(), ppi=300.0)
    out, _, found, _ = run_stage(
        make_stage(OutputSharpening, {}), pixels, spec, job_of(spec, surface, "900 mm"), 50
    )
    added = np.abs(out[60, :, 0] - pixels[60, :, 0].astype(float)) / 655.35
    bound = min(1.5 * found["amount"] * height_l / 2, found["halo_limit_l"])
    assert added.max() <= bound + 0.002
    if added.max() > 0.1:
        wide = np.count_nonzero(added[120:] > added.max() / 10)
        assert wide <= 300 / 50 + (1 if added.max() < 9.9 else 3)
    assert found["halo_width_mm"] <= 25.4 / 50 + 0.001


@pytest.mark.parametrize("ppi", [150, 300, 600])
@pytest.mark.parametrize("distance_mm", [350, 500, 700])
def test_the_radius_grows_with_distance_and_resolution(ppi, distance_mm):
    """sigma = 0.0004 of the distance: the same angle at any distance and resolution."""
    used = strength.strength(0.09, distance_mm, ppi)
    assert 0.0004 == pytest.approx(used.radius_px * 25.4 / ppi / distance_mm)


def test_close_to_practice_where_practice_is_good():
    """Common practice: an amount of 0.5 to 2 for rough and matte surfaces held in the hands."""
    canvas, newsprint, matte = (
        strength.strength(strength.spread_mm(Surface(each)), 350, 300).amount
        for each in ("canvas", "newsprint", "matte")
    )
    assert 0.5 <= matte <= newsprint <= canvas <= 2
