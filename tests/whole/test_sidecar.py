"""An XMP sidecar from the hot folder to the end of its picture, and back out of a held folder."""

from __future__ import annotations

import tifffile

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
