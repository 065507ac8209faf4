"""Several files from one job, and paper around one: in the pipeline as a daemon runs it."""

from __future__ import annotations

import re
import tomllib
from hashlib import sha256
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

import hotfolder_defaults
from hotfolder.settings.files import check_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from hotfolder.work.order import Order
from hotfolder.work.pipeline import run
from hotfolder_demo import profiles
from raster.pictures import picture

DEFAULTS = Path(hotfolder_defaults.__file__).parent / "destinations"
REGISTRY = load_registry()
XMP = (
    b'<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
    b'<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description '
    b'rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" dc:format="image/x"/></rdf:RDF>'
    b'</x:xmpmeta><?xpacket end="w"?>'
)


def run_job(root, name, stages, result, **tables):
    raw = tomllib.loads((DEFAULTS / f"{name}.toml").read_text("utf-8"))
    own = {key: table for key, table in raw["stage"].items() if key in stages}
    raw = {**raw, "stages": stages, "result": result, "stage": {**own, **tables}}
    destination = check_destination(root.destinations / f"{name}.toml", raw, REGISTRY, Intake())
    original = root.path.parent / "mud.tif"
    tifffile.imwrite(
        original, picture(60, 90, 3), iccprofile=profiles.srgb(), photometric="rgb",
        extratags=[(700, 1, len(XMP), XMP, True)],
    )  # fmt: skip
    folder = root.path.parent / f"attempt-{len(list(root.path.parent.iterdir()))}"
    folder.mkdir()
    data = original.read_bytes()
    order = Order(
        job="1", original=original, name="mud.tif", sha256=sha256(data).hexdigest(),
        bytes=len(data), folder=folder, profiles=root.profiles,
    )  # fmt: skip
    return folder, run(order, destination, REGISTRY, lambda *_: None)


WEB = ["sizing", "profile-conversion", "tagging"]
SMALL = {"sizing": {"long_edge": "70 px"}}


def test_more_files_of_one_job_have_the_same_picture_and_say_what_they_are(root):
    result = {"format": "png", "bits": 8, "quality": 100, "also": ["webp", "jxl", "avif", "tiff"]}
    folder, outcome = run_job(root, "web-gallery", WEB, result, **SMALL)
    made = outcome.work.results
    assert ["png", "webp", "jxl", "avif", "tiff"] == [each.format for each in made]
    assert {70} == {each.width_px for each in made}
    decode = {
        "png": imagecodecs.png_decode, "webp": imagecodecs.webp_decode,
        "jxl": imagecodecs.jpegxl_decode,
    }  # fmt: skip
    expected = imagecodecs.png_decode((folder / made[0].path).read_bytes())
    for each in made[:3]:
        data = (folder / each.path).read_bytes()
        assert sha256(data).hexdigest() == each.sha256
        assert (expected == decode[each.format](data)).all()
    assert (expected == tifffile.imread(folder / made[4].path)).all()
    for each in made:
        types = set(re.findall(rb"image/(\w+)", (folder / each.path).read_bytes()))
        assert {each.format.encode()} == types
    assert [] == [path for path in folder.iterdir() if path.suffix == ".rows"]


def test_each_file_has_the_bits_that_its_format_can_have(root):
    result = {"format": "tiff", "bits": 16, "also": ["jpeg", "jxl"]}
    _, outcome = run_job(root, "web-gallery", WEB, result, **SMALL)
    assert [16, 8, 16] == [each.bits for each in outcome.work.results]


def test_what_one_format_cannot_hold_is_refused_before_any_file_is_made(root):
    folder, outcome = run_job(
        root, "fine-art-canvas", ["sizing"], {"format": "tiff", "also": ["pdf"]},
        sizing={"long_edge": "5 cm", "ppi": 100},
    )  # fmt: skip
    assert "refuse" == outcome.verdict
    assert "writing" == outcome.work.reasons[0].stage
    assert [] == list(folder.glob("result*"))


@pytest.mark.parametrize("also", [["png"], ["webp", "webp"]])
def test_two_files_of_one_format_are_refused_by_the_settings(root, also):
    from hotfolder.errors import SettingsError

    with pytest.raises(SettingsError, match="each format once"):
        run_job(root, "web-gallery", WEB, {"format": "png", "also": also}, **SMALL)


CANVAS = ["sizing", "profile-conversion", "margins", "tagging"]
SIZE = {"sizing": {"long_edge": "5 cm", "ppi": 100, "wrap": "4 mm"}}
SHEET = {
    "border": "3 mm", "trim": "8 mm", "crop_marks": True, "fold_marks": True, "label": "{file}",
}  # fmt: skip


def test_the_pixels_in_a_result_of_8_bits_are_those_of_a_job_without_margins(root):
    result = {"format": "tiff", "bits": 8}
    bare = [each for each in CANVAS if each != "margins"]
    folder, alone = run_job(root, "fine-art-canvas", bare, result, **SIZE)
    expected = tifffile.imread(folder / alone.work.results[0].path)
    folder, outcome = run_job(root, "fine-art-canvas", CANVAS, result, margins=SHEET, **SIZE)
    assert "deliver" == outcome.verdict
    sheet = tifffile.imread(folder / outcome.work.results[0].path)
    at = outcome.work.findings["margins"]["picture_at_px"]
    rows = slice(at["top_px"], at["top_px"] + at["height_px"])
    columns = slice(at["left_px"], at["left_px"] + at["width_px"])
    assert (expected == sheet[rows, columns]).all()
    assert (255 == sheet[0]).all()
    with Image.open(folder / outcome.work.results[0].path) as image:
        assert root.profiles.joinpath("matte-canvas.icc").read_bytes() == image.info["icc_profile"]


def test_margins_stand_behind_every_check_of_the_converted_picture(root):
    from hotfolder.errors import SettingsError

    with pytest.raises(SettingsError, match="margins"):
        run_job(
            root, "book-pages", ["sizing", "profile-conversion", "margins", "ink-check", "tagging"],
            {"format": "tiff"}, **SIZE,
        )  # fmt: skip


def test_one_file_is_written_without_a_scratch_file(root, monkeypatch):
    def refuse(*_):
        raise AssertionError

    monkeypatch.setattr("hotfolder.work.several.ScratchRows", refuse)
    _, outcome = run_job(root, "web-gallery", WEB, {"format": "png", "bits": 8}, **SMALL)
    assert 1 == len(outcome.work.results)
    assert np.isfinite(outcome.work.elapsed_s)
