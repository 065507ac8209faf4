"""A new stage's package passes its own tests and type checks, and is found once it is installed."""

import os
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from hotfolder.cli.main import app
from hotfolder.errors import SettingsError
from hotfolder.upkeep.new_stage import KINDS, make_stage_package


@pytest.fixture(scope="module")
def packages(tmp_path_factory):
    """One package of each kind, side by side."""
    folder = tmp_path_factory.mktemp("own")
    for kind in KINDS:
        make_stage_package(f"our-{kind}", kind, folder)
    return folder


def run(folder, *command):
    tops = os.pathsep.join(str(folder / f"our-{kind}") for kind in KINDS)
    return subprocess.run(
        [sys.executable, "-m", *command],
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": tops, "MYPYPATH": tops},
    )


@pytest.mark.slow
def test_their_own_tests_pass(packages):
    done = run(packages, "pytest", "-q", "-p", "no:cacheprovider", "--import-mode=importlib")
    assert done.returncode == 0, done.stdout
    assert "17 passed" in done.stdout


@pytest.mark.slow
def test_their_types_are_right(packages, tmp_path):
    done = run(packages, "mypy", "--strict", "--cache-dir", tmp_path, *(f"our-{k}" for k in KINDS))
    assert done.returncode == 0, done.stdout
    assert "no issues found in 8 source files" in done.stdout


def test_an_installed_one_is_listed_with_package_and_version(packages, monkeypatch, tmp_path):
    # what pip writes beside an installed package, in short
    place = tmp_path / "our_measures-0.1.0.dist-info"
    place.mkdir()
    (place / "METADATA").write_text("Metadata-Version: 2.1\nName: our-measures\nVersion: 0.1.0\n")
    (place / "entry_points.txt").write_text(
        "[hotfolder.stages]\nour-measures = our_measures:OurMeasures\n"
    )
    paths = os.pathsep.join([str(tmp_path), str(packages / "our-measures")])
    done = subprocess.run(
        [sys.executable, "-m", "hotfolder", "stages", tmp_path],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": paths},
    )
    assert done.returncode == 0, done.stderr
    (line,) = [each for each in done.stdout.splitlines() if each.startswith("our-measures")]
    assert line.split() == ["our-measures", "finished", "hold_above", "our-measures", "0.1.0"]


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("Edge_label", "lower-case words joined by hyphens"),
        ("tagging", "a stage is called tagging already"),
        ("numpy", "Python finds something else as numpy"),
        ("class", "Python finds something else as class"),
    ],
)
def test_a_name_that_would_lead_astray_is_refused(tmp_path, name, said):
    with pytest.raises(SettingsError, match=said):
        make_stage_package(name, "measures", tmp_path)
    assert not list(tmp_path.iterdir())


def test_a_name_that_hotfolder_exports_is_not_overwritten_in_the_module(tmp_path):
    make_stage_package("band", "measures", tmp_path)
    module = (tmp_path / "band" / "band.py").read_text()
    assert "class BandStage(Stage[BandStageSettings]):" in module
    assert "Iterable[Band]" in module
    assert 'band = "band:BandStage"' in (tmp_path / "band" / "pyproject.toml").read_text()


def test_what_is_there_already_is_left_alone(tmp_path):
    (tmp_path / "our-own" / "tests").mkdir(parents=True)
    with pytest.raises(SettingsError, match="is there already; allowed: another name or folder"):
        make_stage_package("our-own", "measures", tmp_path)
    assert [each.name for each in (tmp_path / "our-own").iterdir()] == ["tests"]


def test_the_command_says_what_it_made_and_what_comes_next(tmp_path):
    asked = ["new-stage", "our-own", "--in", str(tmp_path), "--that", "shows"]
    done = CliRunner().invoke(app, asked)
    assert done.exit_code == 0, done.output
    assert "adds a page that shows how often each value occurs" in done.output
    assert (tmp_path / "our-own" / "README.md").read_text().startswith("# our-own\n")
