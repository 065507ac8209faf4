"""Two results of one picture: each bit for bit what a job for it alone makes, in one record."""

from hashlib import sha256
from typing import ClassVar

import pytest
import tifffile

from hotfolder import Hold, Stage, StageSettings
from hotfolder.errors import SettingsError, StageError
from hotfolder.model.records import JobWarning, OriginalRecord, WorkRecord
from hotfolder.settings.files import check_destination
from hotfolder.settings.tables import Intake
from hotfolder.settings.variants import list_variants
from hotfolder.stages.registry import Registry, load_registry
from hotfolder.work.order import Order
from hotfolder.work.outcome import Outcome, join_outcomes
from hotfolder.work.pipeline import run
from stages import chart_scenes as scenes

pytestmark = pytest.mark.slow

INSTALLED = load_registry()
STAGES = ["reference", "sizing", "output-sharpening", "profile-conversion"]
"""Not tagging, which writes the time."""


class DoubleSettings(StageSettings):
    side: str = "both"
    names: ClassVar = ("left", "right side")

    def variants(self):
        return {name: {"side": name} for name in self.names} if self.side == "both" else {}


class Double(Stage[DoubleSettings]):
    name = "double"
    Settings = DoubleSettings

    def close(self):
        self.job.warn("seen", "It was seen from both sides.")
        self.job.warn("side", f"It was seen from the {self.settings.side}.")
        if self.settings.side == "right side":
            raise Hold("right", "It is too dark.", {"side": "right side"})
        return {"side": self.settings.side}

    def open(self, raster, job):
        self.job = job
        return raster

    def present(self):
        for name, kind in (("side.html", "other"), ("page.html", "proof-sheet")):
            self.job.attach(name, "A page", kind).write_text(self.settings.side)


class Blind(Stage[StageSettings]):
    name = "blind"
    calls: ClassVar[list[int]] = []

    def open(self, raster, job):
        self.calls.append(1)
        if len(self.calls) > 1:
            raise Hold("blind", "No picture can be made of it.")
        return raster


REGISTRY = Registry({**INSTALLED.stages, "double": Double, "blind": Blind}, INSTALLED.owners)


def destination(root, stages, **more):
    raw = {
        "stages": stages,
        "medium": {
            "profile": "matte-canvas.icc", "surface": "canvas", "viewing_distance": "2 m",
        },
        "result": {"format": "tiff"},
        **more,
    }  # fmt: skip
    return check_destination(root.destinations / "wall.toml", raw, REGISTRY, Intake())


@pytest.fixture
def work_on(root, tmp_path):
    """Work on a picture in this process; returns what came of it and the bytes of its results."""
    original = tmp_path / "boat.tif"
    made = scenes.scene(4, "turned", 768, size=0.45, light_name="A", balanced_for="D65")
    icc = (root.profiles / "srgb.icc").read_bytes()
    tifffile.imwrite(original, made.codes, photometric="rgb", iccprofile=icc, metadata=None)
    data = original.read_bytes()

    def work_on(stages, **more):
        folder = tmp_path / f"{len(list(tmp_path.iterdir()))}"
        folder.mkdir()
        order = Order(
            "j", original, original.name, sha256(data).hexdigest(), len(data), folder, root.profiles
        )
        outcome = run(order, destination(root, stages, **more), REGISTRY, lambda *_: None)
        files = {each.path: (folder / each.path).read_bytes() for each in outcome.work.files()}
        return outcome, files

    return work_on


SIZE = {"long_edge": "8 cm", "ppi": 100}


def corrected(work_on, how, **more):
    return work_on(STAGES, stage={"reference": {"correct": how, **more}, "sizing": SIZE})


@pytest.mark.parametrize("more", [{}, {"white_at": "40%,30%"}])
def test_both_results_are_bit_for_bit_those_of_jobs_for_either(work_on, more):
    outcome, files = corrected(work_on, "both", **more)
    kept, neutral = outcome.work.results
    assert ("light kept", "neutral") == (kept.variant, neutral.variant)
    assert (kept.width_px, kept.height_px) == (neutral.width_px, neutral.height_px)
    first = ("nothing", {}) if more else ("keep the light", {})
    for made, (how, own) in zip((kept, neutral), (first, ("neutral", more)), strict=True):
        alone, its_files = corrected(work_on, how, **own)
        (result,) = alone.work.results
        assert its_files[result.path] == files[made.path], how
        assert (made.sha256, "") == (result.sha256, result.variant)
    assert kept.sha256 != neutral.sha256
    assert "neutral" == outcome.work.variants[0].findings["reference"]["corrected"]["how"]


def test_each_is_made_in_every_format_that_is_asked_for(work_on):
    outcome, _ = work_on(["double"], result={"format": "tiff", "also": ["png"]})
    made = [(each.variant, each.format) for each in outcome.work.results]
    assert [
        ("left", "tiff"), ("left", "png"), ("right side", "tiff"), ("right side", "png"),
    ] == made  # fmt: skip
    assert 4 == len({each.path for each in outcome.work.results})


def test_what_is_said_of_each_is_said_with_its_name(work_on):
    outcome, files = work_on(["double"])
    work = outcome.work
    assert ("hold", 2) == (outcome.verdict, len(work.results))
    assert ["Right side: It is too dark."] == [each.message for each in work.reasons]
    assert [
        "It was seen from both sides.",
        "Left: It was seen from the left.",
        "Right side: It was seen from the right side.",
    ] == [each.message for each in work.warnings]
    assert {"side": "left"} == work.findings["double"]
    (other,) = work.variants
    assert ("right side", {"side": "right side"}) == (other.variant, other.findings["double"])
    # the first would be delivered; its page is there, as the job is held
    pages = {each.path: each.kind for each in work.attachments}
    assert {
        "side.html": "other", "page.html": "proof-sheet",
        "right-side-side.html": "other", "right-side-page.html": "other",
    } == pages  # fmt: skip
    assert b"right side" == files["right-side-page.html"]


def test_where_one_cannot_be_made_none_is_there_to_be_delivered(work_on):
    Blind.calls.clear()
    outcome, _ = work_on(["double", "blind"])
    assert ("hold", ()) == (outcome.verdict, outcome.work.results)
    assert any("No picture can be made" in each.message for each in outcome.work.reasons)


def test_a_row_of_a_ticket_is_one_picture(root):
    both = {"reference": {"correct": "both"}}
    with pytest.raises(SettingsError, match="one picture at one place"):
        destination(root, ["reference"], stage=both, ticket={"name": "{page}-{placement}"})
    with pytest.raises(SettingsError, match="one stage that does"):
        destination(root, ["reference", "double"], stage=both)


def test_a_name_that_no_file_should_end_in_is_the_stages_fault(root, monkeypatch):
    monkeypatch.setattr(DoubleSettings, "names", ("../left", "right"))
    with pytest.raises(StageError, match="calls a result"):
        list_variants(destination(root, ["double"]))


def test_results_of_different_sizes_are_no_pair(tmp_path, work_on):
    outcome, _ = work_on(["profile-conversion"])
    (result,) = outcome.work.results
    ends = []
    for number, width in ((1, 10), (2, 11)):
        (tmp_path / f"variant-{number}").mkdir()
        (tmp_path / f"variant-{number}" / result.path).touch()
        made = result.model_copy(update={"width_px": width})
        ends.append((f"n{number}", Outcome("deliver", outcome.work.model_copy(update={
            "results": (made,), "attachments": ()}))))  # fmt: skip
    with pytest.raises(Exception, match="different sizes"):
        join_outcomes(ends, tmp_path)


def test_the_time_is_that_of_all(tmp_path):
    work = WorkRecord(
        original=OriginalRecord(name="x", sha256=None, bytes=1),
        warnings=(JobWarning(stage="s", code="c", message="M"),),
        elapsed_s=1.5,
    )
    joined = join_outcomes([("a", Outcome("hold", work)), ("b", Outcome("hold", work))], tmp_path)
    assert (3.0, ("M",)) == (joined.work.elapsed_s, tuple(w.message for w in joined.work.warnings))
