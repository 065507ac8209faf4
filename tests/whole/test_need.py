"""The command ``need``."""

import json

import pytest

pytestmark = pytest.mark.whole


def test_every_destination_says_what_it_needs(root, hotfolder):
    done = hotfolder("need", root.path)
    assert 0 == done.returncode, done.stderr
    for said in ("book-pages", "fine-art-canvas", "web-gallery", "close up", "100 MP", "Gamut"):
        assert said in done.stdout
    done = hotfolder("need", root.path, "--for", "fine-art-canvas", "--megapixels", 45, "--json")
    (found,) = json.loads(done.stdout)["destinations"]
    assert [45] == [each["megapixels"] for each in found["cameras"]]
    assert "violet" == next(iter(found["gamut"]["short_by_hue"]))


def test_what_does_not_exist_is_said(root, hotfolder):
    done = hotfolder("need", root.path, "--for", "mud")
    assert 4 == done.returncode
    assert "no destination 'mud'" in done.stderr
    assert 4 == hotfolder("need", root.path, "--megapixels", 0).returncode
