"""Which XMP sidecar belongs to which picture."""

import pytest

from hotfolder.intake.scan import Candidate, Identity
from hotfolder.intake.sidecars import is_sidecar, pair, say_orphan


def found(relative, kind="file", size=100):
    return Candidate(None, relative, kind, Identity(1, 1, size, 1, 1))


@pytest.mark.parametrize(
    ("names", "of", "orphans"),
    [
        (["a.tif", "a.xmp"], {"a.tif": ("a.xmp", False)}, []),
        (["a.tif", "a.tif.xmp"], {"a.tif": ("a.tif.xmp", False)}, []),
        (["a.tif", "a.xmp", "a.tif.xmp"], {"a.tif": ("a.tif.xmp", False)}, ["a.xmp"]),
        (["a.tif", "a.jpg", "a.XMP"], {"a.tif": ("a.XMP", True), "a.jpg": ("a.XMP", True)}, []),
        (
            ["a.tif", "a.jpg", "a.xmp", "a.jpg.xmp"],
            {"a.tif": ("a.xmp", False), "a.jpg": ("a.jpg.xmp", False)},
            [],
        ),
        (["x/a.tif", "a.xmp", "x/b.xmp"], {}, ["a.xmp", "x/b.xmp"]),
        (["x/a.tif", "x/a.xmp"], {"x/a.tif": ("x/a.xmp", False)}, []),
    ],
)
def test_a_sidecar_belongs_to_the_picture_of_its_name(names, of, orphans):
    paired = pair([found(name) for name in names])
    assert of == {name: (each.candidate.relative, each.stays) for name, each in paired.of.items()}
    assert orphans == [each.relative for each in paired.orphans]


@pytest.mark.parametrize("other", [found("a.xmp", "link"), found("a.xmp", size=10**8)])
def test_a_link_and_what_is_far_too_large_are_no_sidecars(other):
    assert not is_sidecar(other)


def test_an_orphan_is_said_with_what_to_do():
    said = say_orphan(found("x/a.xmp"))
    assert said.startswith("x/a.xmp is an XMP sidecar, and its picture is not here")
    assert "captions come from the ticket" in say_orphan(found("a.xmp"), is_for_tickets=True)
