"""Tristimulus values under several lamps, and what a print becomes under them."""

import hashlib

import numpy as np
import pytest

import colour
from hotfolder.measured.book import Book
from hotfolder.measured.reading import Spectra
from hotfolder.measured.spectra import spectra_to_lab, spectra_to_xyz, weigh
from hotfolder.measured.under_lamps import (
    LAMPS,
    compute_metamerism,
    compute_under,
    find_under_lamps,
)
from hotfolder.measured.verdict import judge
from hotfolder.settings.root import Root
from measuring import files

WAVES = tuple(range(380, 731, 10))
NM = np.array(WAVES, float)


@pytest.mark.parametrize("light", ["D50", *LAMPS])
def test_whites_are_those_that_are_published(light):
    """Chromaticities of illuminants in CIE 15 (2004: tables T.3, T.8; 2018: LED), in colour."""
    published = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][light]
    X, Y, Z = weigh(range(380, 781, 5), "", light).sum(axis=0)
    assert [X / (X + Y + Z), Y / (X + Y + Z)] == pytest.approx(list(published), abs=6e-5)


D65_BY_20_NM = """
-0.001 -0.000 -0.005  -0.008 -0.000 -0.039  0.179 0.002 0.829  2.542 0.071 12.203
6.670 0.453 33.637  6.333 1.316 36.334  2.213 2.933 18.278  0.052 6.866 5.543
1.348 14.106 1.611  5.767 18.981 0.382  11.301 18.863 0.068  16.256 15.455 0.025
17.933 10.699 0.013  14.020 6.277 0.003  7.057 2.743 0.000  2.527 0.927 -0.000
0.670 0.242 -0.000  0.140 0.050 0.000  0.035 0.013 0.000  0.008 0.003 0.000
0.002 0.001 0.000  0.000 0.000 0.000
"""
"""Weights of ASTM E308-15 for D65, 2° and 20 nm from 360 to 780 nm, in colour-science's tests."""


def test_weights_are_those_of_the_published_table():
    published = np.array(D65_BY_20_NM.split(), float).reshape(-1, 3)
    assert np.abs(weigh(range(360, 781, 20), "", "D65") - published).max() < 0.0006


def test_a_spectrum_that_ends_early_has_the_weights_of_its_ends_summed():
    """ASTM E308-15: what lies beyond an end is added to the weight at that end."""
    whole, short = weigh(range(360, 781, 20), "", "D65"), weigh(range(400, 701, 20), "", "D65")
    assert short.sum(axis=0) == pytest.approx(whole.sum(axis=0), abs=1e-9)
    assert short[0] == pytest.approx(whole[:3].sum(axis=0), abs=1e-12)


@pytest.mark.parametrize("lamp", LAMPS)
def test_what_reflects_all_wavelengths_alike_stays_grey(lamp):
    flat = np.full((1, len(WAVES)), 0.2)
    L, a, b = spectra_to_lab(WAVES, flat, "", lamp)[0]
    assert pytest.approx(116 * 0.2 ** (1 / 3) - 16, abs=1e-6) == L
    assert max(abs(a), abs(b)) < 1e-6


def test_a_pair_that_is_the_same_but_for_a_factor_is_no_metamer():
    one = Spectra(WAVES, (0.3 + 0.2 * np.sin(NM / 60))[None])
    two = Spectra(WAVES, 0.8 * one.reflectance)
    assert compute_metamerism(one, two, "FL11")[0] == pytest.approx(0, abs=1e-9)


def test_a_metamer_has_the_difference_that_its_own_lab_values_have():
    """Against a flat grey the index is by algebra the grey's own shift between the two whites."""
    grey = Spectra(WAVES, (0.3 + 0.05 * np.sin(NM / 25))[None])
    flat = Spectra(WAVES, np.ones((1, len(WAVES))))
    shift = spectra_to_lab(WAVES, grey.reflectance, "", "A") - spectra_to_lab(
        WAVES, grey.reflectance, ""
    )
    index = compute_metamerism(grey, flat, "A")[0]
    assert index == pytest.approx(float(np.linalg.norm(shift)), abs=1e-6)
    assert index > 1


@pytest.mark.parametrize("lamp", ["A", "FL11", "LED-B3"])
def test_the_index_is_that_of_another_program(lamp):
    """ISO 18314-4:2024, multiplicative correction, as colour-science computes it.

    No public source that was found prints spectra and an index together, so this is a second
    program and no published value. It takes D65 for white: XYZ are scaled to that.
    """
    rng = np.random.default_rng(18314)
    one, two = (
        Spectra(WAVES, 0.35 + 0.2 * np.sin(NM / rng.uniform(25, 70, (5, 1)) + rng.uniform(0, 6)))
        for _ in range(2)
    )
    d65 = colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"])
    seen = {}
    for light in ("D50", lamp):
        for name, spectra in (("one", one), ("two", two)):
            xyz, white = spectra_to_xyz(WAVES, spectra.reflectance, "", light)
            seen[light, name] = xyz / white * d65
    theirs = colour.difference.XYZ_to_metamerism_index(
        seen[lamp, "two"], seen[lamp, "one"], seen["D50", "two"], seen["D50", "one"],
        correction="Multiplicative", method="CIE 1976",
    )  # fmt: skip
    assert theirs.max() > 1
    assert compute_metamerism(one, two, lamp) == pytest.approx(theirs, abs=1e-6)


def _greys_with_a_bump(strip):
    """Spectra of a strip: greys reflect more at 620 nm and less at 580, all else is flat."""
    shares = np.interp(strip.lab[:, 0], [0, 100], [0.01, 0.9])
    bump = 0.2 * (np.exp(-(((NM - 640) / 25) ** 2)) - np.exp(-(((NM - 580) / 25) ** 2)))
    grey = np.zeros(len(strip.patches))
    grey[strip.of_kind("grey")] = 1
    return shares[:, None] * (1 + grey[:, None] * bump)


def test_greys_whose_inks_reflect_red_turn_red_under_tungsten(strip):
    found = Spectra(WAVES, _greys_with_a_bump(strip))
    under = compute_under("A", found, None, strip, is_asked_for=True)
    assert under.greys[0] > 0.5
    assert under.paper == pytest.approx((0, 0, 0), abs=0.02)
    assert "redder" in under.says
    assert under.from_first is None
    same = compute_under("A", found, found, strip, is_asked_for=True)
    assert 0 == same.from_first


def _spectral(strip, shares):
    """A file of spectra, one row a patch, from the last patch to the first."""
    names = " ".join(["SAMPLE_NAME", *(f"SPECTRAL_NM{each}" for each in WAVES)])
    rows = [
        " ".join([patch.name, *(f"{100 * each:.5f}" for each in row)])
        for patch, row in zip(strip.patches, shares, strict=True)
    ]
    return "\n".join(
        ["CGATS.17", "BEGIN_DATA_FORMAT", names, "END_DATA_FORMAT", "BEGIN_DATA", *rows[::-1],
         "END_DATA"]
    )  # fmt: skip


def _invert(strip):
    """Smooth spectra that are a strip's colours under D50: three broad bands, by least squares."""
    bands = np.stack([np.exp(-(((NM - at) / 55) ** 2)) for at in (450, 545, 620)])
    base = weigh(WAVES, "", "D50")
    white = base.sum(axis=0)
    xyz = files.lab_to_xyz(strip.lab) / np.array([0.9642, 1.0, 0.8249]) * white
    return xyz @ np.linalg.inv(bands @ base) @ bands


def test_the_file_that_was_judged_is_read_again_and_no_other(tmp_path, strip, strips, profiles):
    from hotfolder.settings.files import load_destination
    from hotfolder.settings.tables import Intake
    from hotfolder.stages.registry import load_registry
    from roots import make_quick_root

    root = Root(make_quick_root(tmp_path / "root", profiles).path)
    destination = load_destination(
        root.destinations / f"{strip.destination}.toml", load_registry(), Intake()
    )
    book = Book(root, destination.name)
    book.kept.mkdir(parents=True)
    data = _spectral(strip, _invert(strip)).encode()
    (book.kept / "s M1.txt").write_bytes(data)
    verdict = judge(
        data, name="s M1.txt", kept="kept/s M1.txt", sha256=hashlib.sha256(data).hexdigest(),
        new_batch=False, destination=destination.name, profile=destination.profile, strips=[strip],
        make_strip="hotfolder strip", limits={}, earlier=[],
    )  # fmt: skip
    assert "spectra" == verdict.made_from
    lamps = find_under_lamps(book, strip, verdict, None, "LED-V1")
    assert ["LED-V1", "A", "LED-B1", "LED-B3", "FL2", "FL11"] == [each.lamp for each in lamps]
    assert [True] + 5 * [False] == [each.is_asked_for for each in lamps]
    expected = Spectra(WAVES, np.round(_invert(strip), 7))
    assert compute_under("A", expected, None, strip, is_asked_for=False) == lamps[1]
    (book.kept / "s M1.txt").write_bytes(data + b" ")
    assert not find_under_lamps(book, strip, verdict, None, None)
    (book.kept / "s M1.txt").unlink()
    assert not find_under_lamps(book, strip, verdict, None, None)
