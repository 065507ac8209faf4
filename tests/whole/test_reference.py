"""A chart in a dropped picture stands in its record."""

import json

import numpy as np
import pytest
import tifffile
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from stages import chart_scenes as scenes
from whole.conftest import records, write_destination

pytestmark = pytest.mark.whole


def test_charts_are_in_the_record_at_their_place_in_the_upright_original(small, hotfolder):
    write_destination(small, **{'"preflight"': '"reference", "preflight"'})
    made = scenes.scene(3, "tilted", 768)
    lying = np.rot90(made.codes).copy()
    path = small.path / "in" / "fine-art-canvas" / "boat.tif"
    path.parent.mkdir(parents=True, exist_ok=True)
    icc = (small.profiles / "srgb.icc").read_bytes()
    # TIFF 6.0, Orientation 6: row 0 is the right side, column 0 the top
    tifffile.imwrite(
        path,
        lying,
        photometric="rgb",
        iccprofile=icc,
        metadata=None,
        resolution=(300, 300),
        resolutionunit="INCH",
        extratags=[(274, "H", 1, 6, True)],
    )
    done = hotfolder("sweep", small.path)
    assert 0 == done.returncode, done.stdout + done.stderr
    (record,) = records(small)
    (chart,) = record["findings"]["reference"]["charts"]
    off = np.abs(np.array(chart["centres_px"]) - made.centres).max()
    assert off < 0.05 * made.pitch_px
    assert chart["residual"]["leave_one_out"] < 3


def drop_shot(root, name, codes, *, minute, camera="Estuary 1", exposure=(1, 125)):
    """Drop a JPEG as a camera writes it, with the Exif that a shoot is told by."""
    exif = Image.Exif()
    exif[271], exif[272] = "Invented", camera
    inner = exif.get_ifd(0x8769)
    inner[0x9003] = f"2026:11:28 18:{minute:02}:00"
    inner[0x829A], inner[0x829D], inner[0x8827] = IFDRational(*exposure), IFDRational(8, 1), 100
    inner[0xA403] = 1
    path = root.path / "in" / "fine-art-canvas" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    icc = (root.profiles / "srgb.icc").read_bytes()
    Image.fromarray(codes).save(path, quality=97, subsampling=0, exif=exif, icc_profile=icc)


def by_name(root):
    return {each["original"]["name"]: each for each in records(root)}


CORRECTS = {
    '"preflight"': '"reference", "preflight"',
    "[stage.sizing]": '[stage.reference]\ncorrect = "keep the light"\n[stage.sizing]',
}


def test_a_reference_holds_for_the_other_frames_of_its_shoot_in_any_order(small, hotfolder):
    write_destination(small, **CORRECTS)
    made = scenes.scene(4, "turned", 768, size=0.45, light_name="D50")
    other = scenes.background(np.random.default_rng(2), 400, 600)
    frame = np.rint(scenes.encode(other * 0.5) * 255).astype(np.uint8)
    # two workers are at work: either of the two may be done first
    drop_shot(small, "boat/a-hull.jpg", frame, minute=3)
    drop_shot(small, "boat/m-chart.jpg", made.codes, minute=5)
    assert 0 == hotfolder("sweep", small.path).returncode
    drop_shot(small, "boat/z-sail.jpg", frame, minute=9, exposure=(1, 60))
    drop_shot(small, "boat/z-other.jpg", frame, minute=9, camera="Estuary 2")
    drop_shot(small, "elsewhere/z.jpg", frame, minute=9)
    done = hotfolder("sweep", small.path)
    assert 0 == done.returncode, done.stdout + done.stderr
    found = {name: each["findings"]["reference"] for name, each in by_name(small).items()}
    chart, sail = found["m-chart.jpg"], found["z-sail.jpg"]
    assert "the chart in it" == chart["corrected"]["by"]
    assert "boat/m-chart.jpg" == sail["carried_over"]["from"]
    assert 240 == sail["carried_over"]["taken_apart_s"]
    stops = np.log2(125 / 60)
    assert stops == pytest.approx(sail["carried_over"]["exposure_differs_stops"], abs=0.02)
    assert 2**-stops == pytest.approx(sail["corrected"]["gain"], rel=0.02)
    assert sail["carried_over"]["from_job"] == sail["shoot"]["served_by"]
    assert "another camera" in found["z-other.jpg"]["not_carried_over"]
    assert "no reference" in found["z.jpg"]["not_corrected"]
    hull = found["a-hull.jpg"]
    if "carried_over" not in hull:  # it was delivered before the chart was known, or meanwhile
        said = [each["message"] for each in by_name(small)["m-chart.jpg"]["warnings"]]
        assert any("boat/a-hull.jpg" in each for each in said)


def test_the_nearest_reference_holds_though_its_picture_takes_longer(small, hotfolder):
    """Of pictures that are dropped together none is delivered before those ahead of it."""
    write_destination(small, **CORRECTS)
    made = scenes.scene(4, "turned", 768, size=0.45, light_name="D50")
    light = scenes.background(np.random.default_rng(2), 200, 300) * 0.5
    frame = np.rint(scenes.encode(light) * 255).astype(np.uint8)
    drop_shot(small, "boat/a-chart.jpg", made.codes, minute=1)
    assert 0 == hotfolder("sweep", small.path).returncode
    drop_shot(small, "boat/b-chart.jpg", made.codes.repeat(4, 0).repeat(4, 1), minute=9)
    drop_shot(small, "boat/c-sail.jpg", frame, minute=8)
    drop_shot(small, "boat/d-sail.jpg", frame, minute=3)
    done = hotfolder("sweep", small.path)
    assert 0 == done.returncode, done.stdout + done.stderr
    found = {name: each["findings"]["reference"] for name, each in by_name(small).items()}
    assert ["boat/b-chart.jpg", "boat/a-chart.jpg"] == [
        found[f"{name}-sail.jpg"]["carried_over"]["from"] for name in "cd"
    ]
    assert "came after" not in done.stdout


def test_a_nearer_reference_that_comes_later_says_what_had_one_from_further_away(small, hotfolder):
    write_destination(small, **CORRECTS)
    made = scenes.scene(4, "turned", 768, size=0.45, light_name="D50")
    light = scenes.background(np.random.default_rng(2), 200, 300) * 0.5
    frame = np.rint(scenes.encode(light) * 255).astype(np.uint8)
    for name, codes, minute in (
        ("a-chart", made.codes, 1), ("near-a", frame, 2), ("near-b", frame, 8)
    ):  # fmt: skip
        drop_shot(small, f"boat/{name}.jpg", codes, minute=minute)
        assert 0 == hotfolder("sweep", small.path).returncode
    drop_shot(small, "boat/b-chart.jpg", made.codes, minute=9)
    done = hotfolder("sweep", small.path)
    assert "Delivered with one that suits less well: boat/near-b.jpg. Drop them" in done.stdout
    (told,) = tell_story_of(small, "boat/near-b.jpg", hotfolder)
    assert told["events"][-1]["text"].endswith("it was delivered with one that suits it less well")
    # the advice is taken
    drop_shot(small, "boat/near-b.jpg", frame, minute=8)
    assert 0 == hotfolder("sweep", small.path).returncode
    latest = [each for each in records(small) if each["original"]["name"] == "near-b.jpg"][-1]
    assert "boat/b-chart.jpg" == latest["findings"]["reference"]["carried_over"]["from"]


def test_a_reference_that_comes_later_says_what_was_delivered_without_it(small, hotfolder):
    write_destination(small, **CORRECTS)
    light = scenes.background(np.random.default_rng(2), 200, 300) * 0.5
    frame = np.rint(scenes.encode(light) * 255).astype(np.uint8)
    drop_shot(small, "boat/a.jpg", frame, minute=1)
    assert 0 == hotfolder("sweep", small.path).returncode
    made = scenes.scene(4, "turned", 768, size=0.45, light_name="D50")
    drop_shot(small, "boat/chart.jpg", made.codes, minute=5)
    done = hotfolder("sweep", small.path)
    assert "Delivered without it: boat/a.jpg. Drop them again" in done.stdout
    chart = by_name(small)["chart.jpg"]
    shared = chart["findings"]["reference"]["shoot"]
    assert [by_name(small)["a.jpg"]["job"]] == shared["after"]
    (frame,) = tell_story_of(small, "boat/a.jpg", hotfolder)
    said = [each["text"] for each in frame["events"] if "came later" in each["what"]]
    assert [f"boat/chart.jpg (job {chart['job']}); it was delivered without it"] == said


def tell_story_of(root, source, hotfolder):
    kept = root.path / "originals" / "fine-art-canvas" / source
    said = hotfolder("audit", root.path, "--of", kept, "--json")
    assert 0 == said.returncode, said.stderr
    return json.loads(said.stdout)["jobs"]


def test_frames_wait_for_a_reference_and_it_completes_them(small, hotfolder):
    waiting = 'correct = "keep the light"\nwait_for_reference = "10 min"'
    write_destination(
        small,
        **{
            '"preflight"': '"reference", "preflight"',
            "[stage.sizing]": f"[stage.reference]\n{waiting}\n[stage.sizing]",
        },
    )
    light = scenes.background(np.random.default_rng(2), 200, 300) * 0.5
    frame = np.rint(scenes.encode(light) * 255).astype(np.uint8)
    drop_shot(small, "boat/a.jpg", frame, minute=1)
    drop_shot(small, "other/b.jpg", frame, minute=1)
    assert 0 == hotfolder("sweep", small.path).returncode
    assert [] == records(small)
    said = json.loads(hotfolder("status", small.path, "--json").stdout)["waiting"]
    assert ["boat/a.jpg", "other/b.jpg"] == sorted(each["file"] for each in said)
    assert all("a reference of its shoot" in each["why"] for each in said)
    made = scenes.scene(4, "turned", 768, size=0.45, light_name="D50")
    drop_shot(small, "boat/z-chart.jpg", made.codes, minute=5)
    done = hotfolder("sweep", small.path)
    assert 0 == done.returncode, done.stdout + done.stderr
    found = by_name(small)
    assert {"a.jpg", "z-chart.jpg"} == found.keys()
    carried = found["a.jpg"]["findings"]["reference"]["carried_over"]
    assert "boat/z-chart.jpg" == carried["from"]
    # without the setting the other one is not waited for any more
    write_destination(small, **CORRECTS)
    assert 0 == hotfolder("sweep", small.path).returncode
    assert "b.jpg" in by_name(small)
