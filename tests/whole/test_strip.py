"""A test strip's pieces are, pixel for pixel, what the delivered result has there."""

import hashlib
import json
import shlex
import shutil
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from hotfolder.model.rendering import Way
from hotfolder.raster.dither import Dither
from whole.conftest import drop, files, records, write_destination

pytestmark = pytest.mark.whole

COST = '= "2 m"\ncost_per_square_metre = "62 GBP"'
FORMATS = {
    "16 bits": 'format = "tiff"',
    "8 bits, dithered": 'format = "tiff"\nbits = 8\ncompression = "lzw"',
    "JPEG": 'format = "jpeg"\nquality = 85',
    "PNG": 'format = "png"\nbits = 8',
    "refined": 'format = "tiff"',
}


def opened(path):
    if str(path).endswith(".tif"):
        return tifffile.imread(path)
    if str(path).endswith(".png"):  # Pillow reads no profile as long as ours in a PNG
        return imagecodecs.png_decode(path.read_bytes())
    with Image.open(path) as image:
        return np.asarray(image)


@pytest.mark.parametrize("kind", FORMATS)
def test_pieces_are_bit_for_bit_those_of_the_delivered_result(small, hotfolder, tmp_path, kind):
    made = {"8 cm": "30 cm", 'format = "tiff"': FORMATS[kind], '= "2 m"': COST}
    if kind == "refined":
        made["[stage.sizing]"] = '[stage.profile-conversion]\nrendering = "refined"\n[stage.sizing]'
    write_destination(small, **made)
    image = drop(small, "mud.tif", size=300)
    target = tmp_path / "strip"
    arguments = ("--for", "fine-art-canvas", "--to", target, "--json")
    done = hotfolder("strip", image, small.path, *arguments, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert image.exists()
    assert [] == files(small.path / "out")
    assert hotfolder("sweep", small.path).returncode == 0
    (record,) = records(small)
    (conversion,) = (each for each in record["stages"] if each["stage"] == "profile-conversion")
    assert conversion["settings"]["rendering"] == ("refined" if kind == "refined" else "intent")
    path = record["results"][0]["path"]
    strip = target.rename(target.with_suffix("." + path.rsplit(".", 1)[1]))
    whole, cut = opened(Path(path)), opened(strip)
    assert whole.dtype == cut.dtype
    assert 2 <= len(said["pieces"])
    for piece in said["pieces"]:
        height, width = piece["height_px"], piece["width_px"]
        there = whole[piece["top_px"] :, piece["left_px"] :][:height, :width]
        here = cut[piece["strip_top_px"] :, piece["strip_left_px"] :][:height, :width]
        assert there.shape[:2] == (height, width)
        np.testing.assert_array_equal(there, here)
    # 30 cm at 100 ppi: 1181 pixels; 300 mm × 200 mm × 62 GBP/m²
    assert said["print_cost"]["amount"] == pytest.approx(0.30 * 0.20 * 62, abs=0.02)
    mm = said["strip_mm"]
    assert said["strip_cost"]["amount"] == pytest.approx(mm[0] * mm[1] * 62e-6, abs=0.01)
    assert mm[0] * mm[1] < 300 * 200


@pytest.mark.slow(cases=1)  # what is dithered is also compared before that
@pytest.mark.parametrize("kind", ["8 bits, dithered", "16 bits"])
def test_proof_strip_and_result_of_a_rendering_are_the_same_pixels(
    small, hotfolder, tmp_path, kind
):
    """Each rendering that is compared and laid on a strip is, bit for bit, what is delivered."""
    names = ("relative colorimetric", "detail", "refined + depth")
    made = {"8 cm": "30 cm", 'format = "tiff"': FORMATS[kind], '= "2 m"': COST}
    write_destination(small, **made)
    image = drop(small, "mud.tif", size=300)
    kept = image.rename(tmp_path / "mud.tif")
    target = tmp_path / "strip.tif"
    arguments = ("--for", "fine-art-canvas", "--to", target, "--json", "--renderings")
    done = hotfolder("strip", kept, small.path, *arguments, ",".join(names), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    pieces = json.loads(done.stdout)["pieces"]
    assert {*names} == {piece["rendering"] for piece in pieces}
    cut = opened(target)
    page = tmp_path / "page.html"
    arguments = ("--for", "fine-art-canvas", "--to", page, "--json", "--compare")
    done = hotfolder("proof", kept, small.path, *arguments, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    compared = {each["rendering"]: each for each in json.loads(done.stdout)["destinations"]}
    assert {"perceptual", "refined", "detail", "detail + depth"} < compared.keys()
    places = {str([place["at"] for place in each["places"]]) for each in compared.values()}
    assert len(places) == 1  # the same places of all

    def deliver(way, name, **made):
        said = [f"{key} = {json.dumps(value)}" for key, value in way.settings.items()]
        table = "\n".join(["[stage.profile-conversion]", *said, "[stage.sizing]"])
        write_destination(small, **made, **{"[stage.sizing]": table})
        shutil.copy(kept, small.path / "in" / "fine-art-canvas" / name)
        assert hotfolder("sweep", small.path).returncode == 0
        (record,) = (each for each in records(small) if each["source"] == name)
        return opened(Path(record["results"][0]["path"]))

    for number, name in enumerate(names):
        way = Way.named(name)
        whole = deliver(way, f"mud {number}.tif", **made)
        mine = [piece for piece in pieces if piece["rendering"] == name]
        assert len(mine) >= 2
        for piece in mine:
            height, width = piece["height_px"], piece["width_px"]
            there = whole[piece["top_px"] :, piece["left_px"] :][:height, :width]
            here = cut[piece["strip_top_px"] :, piece["strip_left_px"] :][:height, :width]
            np.testing.assert_array_equal(there, here)
        if name in compared:
            if kind != "16 bits":  # the proof says a hash of what is dithered
                deep = {**made, 'format = "tiff"': FORMATS["16 bits"]}
                before = deliver(way, f"deep {number}.tif", **deep)
                dithered = Dither(before.shape[1], before.shape[2]).apply(before, 0)
                np.testing.assert_array_equal(dithered, whole)
                whole = before
            assert compared[name]["places"]
            for place in compared[name]["places"]:
                there = whole[place["top_px"] :, place["left_px"] :]
                there = there[: place["height_px"], : place["width_px"]]
                digest = hashlib.sha256(there.astype("<u2").tobytes()).hexdigest()
                assert place["delivered_sha256"] == digest


def test_a_strip_has_the_profile_and_resolution_of_the_result(small, hotfolder, tmp_path):
    write_destination(small, name="book", **{"matte-canvas": "coated-book", "8 cm": "20 cm"})
    image = drop(small, "mud.tif")
    done = hotfolder("strip", image, small.path, "--for", "book", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    path = tmp_path / "mud strip for book.tif"
    assert str(path) in done.stdout
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        assert (small.profiles / "coated-book.icc").read_bytes() == page.iccprofile
        assert "SEPARATED" == page.photometric.name
        assert (100, 1) == page.tags["XResolution"].value
        # labels are black ink alone, the ground is bare
        pixels = page.asarray()
    assert (pixels[:12, :, 3] > 0).any()
    assert 0 == pixels[:12, :, :3].max()


def test_what_cannot_be_printed_gives_no_strip_and_the_reason(small, hotfolder, tmp_path):
    image = drop(small, "plain.tif", profile=False)
    done = hotfolder("strip", image, small.path, "--for", "fine-art-canvas", cwd=tmp_path)
    assert done.returncode == 3
    assert "no colour profile" in done.stderr
    assert [] == [path.name for path in tmp_path.iterdir() if path.suffix == ".tif"]
    command = done.stderr.partition("With another setting: hotfolder ")[2].partition("  (")[0]
    done = hotfolder(*shlex.split(command), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert 1 == len(list(tmp_path.glob("plain strip for *.tif")))
