"""Asking about a profile: the remarks of `check`, the command and its page."""

import json
import re

import numpy as np
import pytest
from typer.testing import CliRunner

from hotfolder.cli.main import app
from hotfolder.colour import icc_encode as icc
from hotfolder.colour.profile_measures import measure
from hotfolder.overview.check import check
from hotfolder.overview.profile_findings import find
from hotfolder.overview.profile_page import make_page
from reference.devices import GREY, SRGB, demo_printer, libvips
from reference.planted import plant

pytestmark = pytest.mark.slow

CANVAS = demo_printer("matte-canvas", "4.4")


def bent():
    def change(nodes):
        at = nodes.shape[0] // 2
        nodes[at, at] += 0.15

    return plant(CANVAS, "B2A1", change)


def run(*arguments):
    return CliRunner().invoke(app, [str(each) for each in arguments])


def test_good_profiles_are_remarked_on_by_no_more_than_being_invented(root):
    found = check(root, with_profiles=True)
    about = [each for each in found.remarks if "medium.profile" in each]
    assert len(about) == 2
    assert all("invented one of the demo" in each for each in about)
    assert len(found.profiles) == 3
    assert re.search(
        r"^profile 'Matte canvas, warm white \(demo\)' \(fine-art-canvas\): colours come back "
        r"0\.\d ΔE00 off on average, one in a hundred by more than 0\.\d; more: "
        r"hotfolder profile fine-art-canvas \S+$",
        "\n".join(found.profiles),
        re.MULTILINE,
    )


def test_the_daemon_starts_without_measuring(root, monkeypatch):
    def fail(profile):
        raise RuntimeError(profile)

    monkeypatch.setattr("hotfolder.overview.check.measure_quickly", fail)
    assert check(root).profiles == ()


def test_check_says_what_stands_out_where_and_what_is_done(root):
    (root.profiles / "matte-canvas.icc").write_bytes(bent().data)
    (said,) = [each for each in check(root, with_profiles=True).remarks if "out of line" in each]
    assert said.startswith(
        "fine-art-canvas: medium.profile 'Matte canvas, warm white (demo)': The table from colours "
        "to device values (relative colorimetric) has a row of points near L* "
    )
    assert "any b*" in said
    assert 'Rendering "refined" starts at this table' in said
    assert said.endswith("Make the profile again, or fetch it again from whoever made it.")
    printed = run("check", root.path)
    assert "out of line" in printed.output
    assert "No problems found." in printed.output


@pytest.mark.parametrize("wanted", ["book-pages", "coated-book.icc"])
def test_the_command_takes_a_destination_or_a_file_of_the_root(root, tmp_path, wanted):
    page = tmp_path / "page.html"
    result = run("profile", wanted, root.path, "--to", page, "--json")
    assert result.exit_code == 0, result.output
    said = json.loads(result.output)
    assert said["page"] == str(page)
    assert said["description"] == "Coated book paper, 300 % ink (demo)"
    assert [each["code"] for each in said["doubts"]] == ["invented"]
    assert {each["code"] for each in said["notes"]} == {"condition-unsaid"}
    assert said["ink_limit_percent"] == pytest.approx(300, abs=1)
    assert said["blacks"][-1]["name"] == "the darkest there is"
    assert "<h1>Coated book paper, 300 % ink (demo)</h1>" in page.read_text("utf-8")


def test_less_ink_makes_a_weaker_black(tmp_path):
    path = tmp_path / "book.icc"
    path.write_bytes(demo_printer("coated-book", "2.4").data)
    page = tmp_path / "page.html"

    def darkest(*more):
        said = json.loads(run("profile", path, "--to", page, "--json", *more).output)
        return said["blacks"][-1]

    usual, little = darkest(), darkest("--ink-limit", "150")
    assert sum(little["device_percent"]) <= 150.1
    assert little["lab"][0] > usual["lab"][0] + 1


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda path: None, "an ICC file, a file in"),
        (lambda path: path.write_bytes(b"nothing"), "has only 7 bytes"),
    ],
)
def test_what_is_no_profile_is_said(tmp_path, make, said):
    path = tmp_path / "some.icc"
    make(path)
    result = run("profile", path, tmp_path)
    assert result.exit_code != 0
    assert said in str(result.exception)


def test_words_of_a_profile_are_text_on_its_page():
    """Its description is a stranger's."""
    tags = {name: CANVAS.data[at : at + size] for name, (at, size) in CANVAS.tags.items()}
    tags["desc"] = icc.localized_text('<script>alert(1)</script> & "x"')
    header = icc.Header("4.4", "prtr", "RGB ", "Lab ", measure(CANVAS).created)
    named = type(CANVAS).parse(icc.encode_profile(header, tags))
    measures = measure(named)
    page = make_page(measures, find(measures))
    assert "<script" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; &#34;x&#34;" in page
    assert "style=" not in page  # which its policy would not let through


@pytest.mark.parametrize("profile", [SRGB, GREY, libvips("cmyk")], ids=lambda each: each.space)
def test_every_kind_of_device_has_a_page(profile):
    measures = measure(profile)
    page = make_page(measures, find(measures))
    assert profile.description in page
    assert "a measured strip proves it" in page
    assert not np.isnan(measures.blacks[-1].lab[0])
