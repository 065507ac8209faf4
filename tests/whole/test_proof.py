"""Asking what would come out: one destination or several, and nothing is delivered."""

import json
import shlex
from datetime import UTC, datetime

import pytest

from hotfolder.ledger.lock import served_alone
from hotfolder.work.comparison import MOST_BYTES
from hotfolder_demo.measured_story import tell_story
from whole.conftest import drop, files, records, write_destination

pytestmark = pytest.mark.whole


@pytest.fixture
def two(small):
    """A root with a canvas and a page in a book; returns it and a picture that lies elsewhere."""
    cost = (
        'viewing_distance = "2 m"',
        'viewing_distance = "2 m"\ncost_per_square_metre = "62 GBP"',
    )
    write_destination(small, cost=cost)
    write_destination(small, name="book", **{"matte-canvas": "coated-book", '"canvas"': '"lustre"'})
    image = drop(small, "mud.tif")
    return small, image.replace(small.path.parent / "mud.tif")


def everything(root):
    """All of a root but what was computed of profiles, which a trial keeps for those to come."""
    return {
        path: path.stat().st_mtime_ns
        for path in root.path.rglob("*")
        if path != root.private and "points" not in path.relative_to(root.path).parts
    }


def test_several_are_ranked_on_one_page_and_the_root_is_left_alone(two, hotfolder, tmp_path):
    root, image = two
    before = everything(root)
    page = tmp_path / "page.html"
    done = hotfolder("proof", image, root.path, "--to", page, "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert str(page) == said["page"]
    first, second = said["destinations"]
    assert [1, 2] == [first["rank"], second["rank"]]
    assert first["moved_delta_e_00"]["mean"] <= second["moved_delta_e_00"]["mean"]
    (canvas,) = (each for each in said["destinations"] if each["destination"] != "book")
    # 8 cm at 100 ppi is 315 pixels, its height two thirds: 80 mm × 53.3 mm × 62 GBP/m²
    assert canvas["print_mm"] == pytest.approx([80.0, 53.3], abs=0.2)
    assert {"amount": pytest.approx(0.26, abs=0.01), "currency": "GBP"} == canvas["material_cost"]
    assert page.stat().st_size < MOST_BYTES
    assert "Fine-art canvas" in page.read_text()
    assert before == everything(root)


def test_one_destination_gives_its_proof_sheet_where_we_stand_under_a_free_name(
    two, hotfolder, tmp_path
):
    root, image = two
    for expected in ("mud proof.html", "mud proof-2.html"):
        done = hotfolder("proof", image, root.path, "--for", "book", cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        sheet = (tmp_path / expected).read_text()
        assert str(tmp_path / expected) in done.stdout
        assert "nothing was delivered" in sheet
        assert "hotfolder release" not in sheet
    assert image.exists()
    assert [] == files(root.path / "out")
    assert not root.ledger.exists()


def test_it_works_beside_a_daemon(two, hotfolder, tmp_path):
    root, image = two
    drop(root, "other.tif", seed=2)
    with served_alone(root):
        done = hotfolder("proof", image, root.path, "--for", "book", cwd=tmp_path)
    assert done.returncode == 0, done.stderr


def test_what_would_be_held_is_said_with_its_reason(two, hotfolder, tmp_path):
    root, _ = two
    plain = drop(root, "plain.tif", profile=False)
    done = hotfolder("proof", plain, root.path, "--json", cwd=tmp_path)
    assert done.returncode == 3
    said = json.loads(done.stdout)
    assert said["page"] is None
    assert {("held", None)} == {(each["end"], each["rank"]) for each in said["destinations"]}
    assert "no colour profile" in said["destinations"][0]["reasons"][0]
    assert plain.exists()
    assert records(root) == []


def test_what_is_held_can_be_tried_with_the_setting_that_is_advised(two, hotfolder, tmp_path):
    root, _ = two
    plain = drop(root, "plain.tif", profile=False)
    done = hotfolder("proof", plain, root.path, cwd=tmp_path)
    assert done.returncode == 3
    assert "hotfolder strip" not in done.stdout  # which would be held as well
    assert "moved:" not in done.stdout
    (advice,) = (line for line in done.stdout.splitlines() if line.startswith("With another"))
    command, says = advice.removeprefix("With another setting: hotfolder ").split("  (")
    assert "take its numbers for sRGB, if that is what they are)" == says
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    done = hotfolder(*shlex.split(command), cwd=elsewhere)
    assert done.returncode == 0, done.stderr
    assert "With another" not in done.stdout
    assert (elsewhere / "plain proof.html").exists()
    (strip,) = (line for line in done.stdout.splitlines() if "a test strip proves: " in line)
    done = hotfolder(*shlex.split(strip.partition(": hotfolder ")[2]), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert list(tmp_path.glob("plain strip for *.tif"))


def test_nobody_is_told_to_print_a_screen(two, hotfolder, tmp_path):
    root, image = two
    write_destination(root, name="web", **{"matte-canvas": "srgb", '"canvas"': '"screen"'})
    done = hotfolder("proof", image, root.path, "--for", "web", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "hotfolder strip" not in done.stdout
    done = hotfolder("proof", image, root.path, cwd=tmp_path)
    assert "--for web" not in done.stdout.partition("hotfolder strip")[2]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("sizing.long_edge=12", 'a number and one of mm, cm, m, in, ft, px, as in "60 in"'),
        ("margins.size=1", "is no stage of book; allowed: a stage that `stages` names: "),
        ("sizing", "STAGE.KEY=VALUE"),
    ],
)
@pytest.mark.parametrize("command", ["proof", "strip"])
def test_a_setting_that_is_not_right_is_told(two, hotfolder, change, said, command):
    root, image = two
    done = hotfolder(command, image, root.path, "--for", "book", "--set", change, cwd=image.parent)
    assert done.returncode == 4
    assert said in " ".join(done.stderr.split())


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["nothing.tif"], "nothing.tif"),
        (["mud.tif", "--for", "wall"], "there is no destination 'wall'"),
        (["mud.tif", "--for", "book", "--to", "no/such/page.html"], "a folder that exists"),
    ],
)
def test_what_cannot_be_asked_is_said(two, hotfolder, arguments, said):
    root, image = two
    done = hotfolder("proof", arguments[0], root.path, *arguments[1:], cwd=image.parent)
    assert done.returncode == 4
    assert said in " ".join(done.stderr.split())


def test_a_medium_is_shown_first_as_it_was_measured_where_it_was(two, hotfolder, tmp_path):
    root, image = two
    page = tmp_path / "page.html"
    asked = ("proof", image, root.path, "--for", "fine-art-canvas", "--as-measured", "--to", page)
    before = hotfolder(*asked, cwd=tmp_path)
    assert "is shown as its profile says" in before.stdout
    assert 'id="look-measured"' not in page.read_text()
    tell_story(root, datetime.now(UTC), to_its_end=False)
    page.unlink()
    after = hotfolder(*asked, cwd=tmp_path)
    assert "is shown as its profile says" not in after.stdout
    assert 'id="look-measured" checked' in page.read_text()
    several = hotfolder("proof", image, root.path, "--as-measured", cwd=tmp_path)
    assert several.returncode != 0
    assert "one destination, named by --for" in several.stderr
