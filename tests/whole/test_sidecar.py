"""An XMP sidecar from the hot folder to the end of its picture, and back out of a held folder."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import tifffile

from hotfolder.ending.decision import put_back
from hotfolder.ending.elsewhere import send_elsewhere
from hotfolder.overview.new_root import make_root
from whole.conftest import drop, files, records, write_destination

XMP = b"""<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF
 xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about=""
 xmlns:dc="http://purl.org/dc/elements/1.1/"><dc:title><rdf:Alt>
 <rdf:li xml:lang="x-default">low water</rdf:li></rdf:Alt></dc:title></rdf:Description>
 </rdf:RDF></x:xmpmeta>"""


def xmp_of(path):
    with tifffile.TiffFile(path) as file:
        return file.pages[0].tags[700].value


def test_a_sidecar_goes_with_its_picture_through_a_hold_to_its_end(small, hotfolder):
    write_destination(small)
    hot = small.path / "in/fine-art-canvas"
    drop(small, "mud.tif", profile=False)
    (hot / "mud.xmp").write_bytes(XMP)
    drop(small, "reeds.tif")
    (hot / "reeds.tif.xmp").write_bytes(XMP)
    (hot / "alone.xmp").write_bytes(XMP)
    hotfolder("sweep", small.path)
    assert ["alone.xmp"] == sorted(each.name for each in hot.glob("*.*") if each.name[0] != ".")
    assert not (small.path / "refused/fine-art-canvas").is_dir() or not list(
        (small.path / "refused/fine-art-canvas").glob("2*")
    )
    said = hotfolder("status", small.path).stdout
    assert "alone.xmp is an XMP sidecar, and its picture is not here" in said
    (delivered,) = [each for each in records(small) if each["state"] == "delivered"]
    (held,) = [each for each in records(small) if each["state"] == "held"]
    originals = small.path / "originals/fine-art-canvas"
    assert XMP == (originals / "reeds.tif.xmp").read_bytes()
    assert b"low water" in xmp_of(delivered["results"][0]["path"])
    folder = small.path / "held/fine-art-canvas" / held["job"]
    assert XMP == (folder / "mud.tif.xmp").read_bytes()
    hotfolder(
        "release", held["job"], small.path, "--set", "preflight.no_profile=assume",
        "--set", "preflight.assume_rgb=srgb.icc",
    )  # fmt: skip
    hotfolder("sweep", small.path)
    assert XMP == (originals / "mud.tif.xmp").read_bytes()
    released = records(small)[-1]
    assert "delivered" == released["state"]
    assert b"low water" in xmp_of(released["results"][0]["path"])
    assert [] == list((small.path / ".hotfolder/spool").iterdir())
    assert files(small.path / "release/fine-art-canvas") == []


def hold(small, hotfolder):
    """Have a picture held that came with a sidecar; return its record."""
    write_destination(small)
    drop(small, "mud.tif", profile=False)
    (small.path / "in/fine-art-canvas/mud.xmp").write_bytes(XMP)
    hotfolder("sweep", small.path)
    (held,) = records(small)
    return held


@pytest.mark.parametrize("how", ["command", "folder deleted"])
def test_a_sidecar_comes_back_with_a_picture_that_was_discarded(small, hotfolder, how):
    hot = small.path / "in/fine-art-canvas"
    held = hold(small, hotfolder)
    if how == "command":
        hotfolder("discard", held["job"], small.path)
    else:
        shutil.rmtree(Path(held["original_kept"]).parent)
    hotfolder("sweep", small.path)
    assert records(small)[-1]["discarded"]
    said = hotfolder("release", held["job"], small.path).stderr
    assert "and the sidecar beside it, into the hot folder" in said
    kept = Path(records(small)[-1]["original_kept"])
    assert XMP == kept.with_name(f"{kept.name}.xmp").read_bytes()
    put_back(small, held["job"])
    assert ["mud.tif", "mud.tif.xmp"] == files(hot)
    hotfolder("sweep", small.path)
    again = records(small)[-1]
    assert again["job"] != held["job"]
    assert XMP == (Path(again["original_kept"]).parent / "mud.tif.xmp").read_bytes()


def test_a_sidecar_goes_with_a_picture_that_is_made_for_another_destination(small, hotfolder):
    write_destination(small)
    other = write_destination(small, name="for-screens", title=("Fine-art canvas", "For screens"))
    with other.open("a") as file:
        file.write('[stage.preflight]\nno_profile = "assume"\nassume_rgb = "srgb.icc"\n')
    make_root(small.path)
    hot = small.path / "in/for-screens"
    drop(small, "mud.tif", profile=False)
    (small.path / "in/fine-art-canvas/mud.xmp").write_bytes(XMP)
    hotfolder("sweep", small.path)
    (held,) = records(small)
    (hot / "mud.tif.xmp").write_bytes(b"of somebody else")
    asked = {"give_up": False, "who": "Mara", "why": ""}
    assert hot / "mud-2.tif" == send_elsewhere(small, held["job"], "for-screens", **asked).dropped
    assert ["mud-2.tif", "mud-2.tif.xmp", "mud.tif.xmp"] == files(hot)
    hotfolder("sweep", small.path)
    assert ["mud.tif.xmp"] == files(hot)
    (there,) = records(small, "for-screens")
    assert "delivered" == there["state"]
    assert b"low water" in xmp_of(there["results"][0]["path"])


@pytest.mark.parametrize("has_result", [False, True], ids=["no result", "with a result"])
def test_a_sidecar_that_is_corrected_in_a_held_folder_counts_when_it_is_released(
    small, hotfolder, has_result
):
    """Its picture was delivered without a caption, and the sidecar left lying in release/."""
    file = write_destination(small)
    drop(small, "mud.tif", profile=has_result)
    (small.path / "in/fine-art-canvas/mud.xmp").write_bytes(XMP)
    options = ["--set", "preflight.no_profile=assume", "--set", "preflight.assume_rgb=srgb.icc"]
    if has_result:
        with file.open("a") as settings:
            settings.write("[stage.preflight]\nhold_below_ppi = 5000\n")
        options = []
    hotfolder("sweep", small.path)
    (held,) = records(small)
    assert has_result == bool(held["results"])
    folder = small.path / "held/fine-art-canvas" / held["job"]
    assert "correct its captions: change mud.tif.xmp" in (folder / "why.txt").read_text()
    corrected = XMP.replace(b"low water", b"slack water")
    (folder / "mud.tif.xmp").write_bytes(corrected)
    hotfolder("release", held["job"], small.path, *options)
    hotfolder("sweep", small.path)
    released = records(small)[-1]
    assert "delivered" == released["state"]
    assert b"slack water" in xmp_of(released["results"][0]["path"])
    assert corrected == (small.path / "originals/fine-art-canvas/mud.tif.xmp").read_bytes()
    assert files(small.path / "release/fine-art-canvas") == []
    assert files(small.path / ".hotfolder/kept") == []


def test_what_is_no_sidecar_any_more_is_left_and_the_picture_goes_without(small, hotfolder):
    held = hold(small, hotfolder)
    beside = small.path / "held/fine-art-canvas" / held["job"] / "mud.tif.xmp"
    beside.unlink()
    beside.symlink_to(small.path / "hotfolder.toml")
    hotfolder(
        "release", held["job"], small.path, "--set", "preflight.no_profile=assume",
        "--set", "preflight.assume_rgb=srgb.icc",
    )  # fmt: skip
    hotfolder("sweep", small.path)
    assert "delivered" == records(small)[-1]["state"]
    assert ["mud.tif"] == files(small.path / "originals/fine-art-canvas")
    assert (small.path / "hotfolder.toml").is_file()


def test_a_corrected_sidecar_that_is_held_again_is_the_one_that_is_kept(small, hotfolder):
    held = hold(small, hotfolder)
    corrected = XMP.replace(b"low water", b"slack water")
    folder = small.path / "held/fine-art-canvas" / held["job"]
    (folder / "mud.tif.xmp").write_bytes(corrected)
    hotfolder("release", held["job"], small.path, "--set", "sizing.ppi=90")
    hotfolder("sweep", small.path)
    assert "held" == records(small)[-1]["state"]
    assert corrected == (folder / "mud.tif.xmp").read_bytes()
    (kept,) = (small.path / ".hotfolder/kept").glob("*/*.xmp")
    assert corrected == kept.read_bytes()
