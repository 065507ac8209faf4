"""A control strip: which patches it has, that it is the same every time, and its sheet."""

import json
from datetime import date

import numpy as np
import pytest
import segno
import tifffile
from PIL import Image, ImageCms

from hotfolder.measured import choosing
from hotfolder.measured.control_strip import make_control_strip, recall_strips, remember_strip
from hotfolder.measured.sheet import write_sheet
from hotfolder.measured.to_lay import hash_settings, say_code
from hotfolder.settings.files import load_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry


def destination(root, name):
    return load_destination(root.destinations / f"{name}.toml", load_registry(), Intake())


@pytest.mark.parametrize("name", ["fine-art-canvas", "book-pages"])
def test_paper_greys_and_black_come_first(root, name):
    strip = make_control_strip(destination(root, name))
    kinds = [each.kind for each in strip.patches]
    assert choosing.PATCHES == len(strip.patches)
    assert ["paper", *["grey"] * 5] == kinds[:6]
    assert "black" == kinds[kinds.index("black")]
    assert kinds.index("black") < kinds.index("colour")
    assert ["A1", "A6", "B1", "D6"] == [strip.patches[each].name for each in (0, 5, 6, 23)]
    lightness = strip.lab[:6, 0]
    assert np.all(np.diff(lightness) < 0)
    device = strip.device
    apart = np.abs(device[:, None] - device[None]).max(axis=2) + np.eye(24)
    assert apart.min() >= 0.02


def test_the_same_profile_makes_the_same_strip(root):
    one, other = (make_control_strip(destination(root, "fine-art-canvas")) for _ in range(2))
    assert one == other
    assert one.id != make_control_strip(destination(root, "web-gallery")).id


def test_expected_colours_are_those_of_a_second_reader(root):
    """Pillow's LittleCMS, by a transform of 8 bits: within what 8 bits of L*a*b* hold."""
    of = destination(root, "fine-art-canvas")
    strip = make_control_strip(of)
    path = root.profiles / "matte-canvas.icc"
    transform = ImageCms.buildTransform(
        str(path),
        ImageCms.createProfile("LAB"),
        "RGB",
        "LAB",
        ImageCms.Intent.ABSOLUTE_COLORIMETRIC,
    )
    codes = np.rint(strip.device * 255).astype(np.uint8)[None]
    made = np.asarray(ImageCms.applyTransform(Image.fromarray(codes), transform))[0].astype(float)
    lab = np.stack([made[:, 0] / 2.55, *((made[:, at] + 128) % 256 - 128 for at in (1, 2))], -1)
    assert np.abs(lab - strip.lab).max() < 1.0


def test_chosen_patches_predict_better_than_a_usual_strip(root):
    """Fewer predict as well: what the choice is for, by its own model."""
    profile = destination(root, "fine-art-canvas").profile
    assert choosing.choose_patches(profile, 24).predicts < 0.30
    assert (
        choosing.choose_patches(profile, 12).predicts
        > choosing.choose_patches(profile, 24).predicts
    )


@pytest.mark.slow
@pytest.mark.parametrize("name", ["fine-art-canvas", "book-pages"])
def test_the_sheet_holds_exactly_the_patches_and_the_code(root, tmp_path, name):
    of = destination(root, name)
    strip = make_control_strip(of)
    width, height = write_sheet(tmp_path / "s.tif", strip, of, date(2026, 11, 28))
    with tifffile.TiffFile(tmp_path / "s.tif") as file:
        pixels = file.pages[0].asarray()
        assert of.profile.data == bytes(file.pages[0].tags[34675].value)
    most = np.iinfo(pixels.dtype).max
    assert (width, height) == tuple(
        round(side / 300 * 25.4, 1) for side in (pixels.shape[1], pixels.shape[0])
    )
    for each in strip.patches:
        wanted = np.rint(np.array(each.device) * most).astype(pixels.dtype)
        assert 165 * 165 <= int((pixels == wanted).all(axis=2).sum()), each.name
    text = say_code(strip, date(2026, 11, 28), hash_settings(of.raw))
    assert {strip.id, strip.profile_sha256[:16], name} <= {*text.split()}
    modules = np.array([list(row) for row in segno.make_qr(text, error="m").matrix], bool)
    # the sheet's rightmost dark square is the code, seven pixels a module
    dark = pixels.astype(int).sum(axis=2)
    is_dark = dark > most / 2 if name == "book-pages" else dark < most
    right = is_dark[:, 1300:]
    rows = np.flatnonzero(right[265:].sum(axis=1) > 30)
    columns = np.flatnonzero(right[265 + rows[0] :].sum(axis=0) > 30)
    found = right[265 + rows[0] + 3 :, columns[0] + 3 :][
        : 7 * len(modules) : 7, : 7 * len(modules) : 7
    ]
    assert np.array_equal(modules, found)


def test_a_strip_is_remembered(root):
    strip = make_control_strip(destination(root, "fine-art-canvas"))
    path = remember_strip(root, strip)
    assert path == remember_strip(root, strip)
    assert [strip] == recall_strips(root)
    assert strip.id == json.loads(path.read_text())["id"]
    path.write_text("{}")
    assert [] == recall_strips(root)
    remember_strip(root, strip)
    assert [strip] == recall_strips(root)
