"""A control strip beside the picture: on bleed, wrap or border, to the bit, off the picture."""

from dataclasses import replace

import numpy as np
import pytest
import segno
import tifffile

from hotfolder import Area, Hold, InkLimit, MediumStanding, PatchBlock, StripToLay
from hotfolder.colour import white
from hotfolder.model.destination import Result
from hotfolder.model.encoding import Encoding
from hotfolder.raster.picture import Band
from hotfolder.raster.writing import open_result
from hotfolder.testing import make_job, make_spec, make_stage, run_stage
from hotfolder_stages.margin_strip import MarginStrip
from reference.devices import demo_printer

pytestmark = pytest.mark.slow

PPI = 100.0
GREY = 30001
BOOK = demo_printer("coated-book", "2.4")


def strip_to_lay(number=24, channels=3, carried_by="", seed=1):
    codes = np.random.default_rng(seed).integers(0, 256, (number, channels))
    return StripToLay(
        id="0123abcd",
        names=tuple(f"{'ABCD'[at // 6]}{at % 6 + 1}" for at in range(number)),
        device=tuple(tuple(map(float, each)) for each in codes / 255),
        day="2026-11-28",
        carried_by=carried_by,
        says="hotfolder strip 0123abcd for wall profile 0123456789abcdef settings 01234567",
        words="0123abcd  wall",
    )


def px(mm):
    return round(mm / 25.4 * PPI)


def ran(wrap_mm=45, front_mm=(300, 200), strip=None, alpha=None, rows=7, told=(), **settings):
    size = [px(side + 2 * wrap_mm) for side in front_mm]
    pixels = np.full((size[1], size[0], 3), GREY, np.uint16)
    spec = replace(
        make_spec(pixels, ppi=PPI, has_alpha=alpha is not None),
        front_px=(px(front_mm[0]), px(front_mm[1])),
    )
    result = Result.model_validate(settings.pop("result", {}))
    spec = replace(spec, original_at=settings.pop("original_at", None))
    stage = make_stage(MarginStrip, settings)
    standing = MediumStanding(strip=strip or strip_to_lay())
    job = make_job(spec, "canvas", standing=standing, result=result, told=told)
    whole = None if alpha is None else np.full(pixels.shape[:2], alpha, np.uint16)
    return run_stage(stage, pixels, spec, job=job, rows=rows, alpha=whole), job, spec


def list_changed(found):
    return (found.pixels != GREY).any(axis=2)


@pytest.mark.parametrize("side", ["bottom", "top", "left", "right"])
def test_each_patch_is_there_to_the_bit_and_the_picture_is_not_touched(side):
    strip = strip_to_lay()
    found, job, spec = ran(strip=strip, side=side)
    left, top, width, height = spec.face_px
    assert not list_changed(found)[top : top + height, left : left + width].any()
    assert ("2026-11-28", side, "0123abcd", 24) == tuple(
        found.findings[key] for key in ("laid_on", "side", "strip", "patches")
    )
    for device in strip.device:
        codes = (np.array(device) * 65535).round().astype(np.uint16)
        assert (codes % 257 == 0).all()
        assert px(8) ** 2 <= (found.pixels == codes).all(axis=2).sum()
    x, y, across, down = found.findings["at_px"]
    block = np.zeros(found.pixels.shape[:2], bool)
    block[y : y + down, x : x + across] = True
    assert not (list_changed(found) & ~block).any()
    assert () == job.warnings


def test_the_code_says_which_strip_it_is():
    strip = strip_to_lay()
    block = PatchBlock.fit(strip, (2000, 2000), 8.0, PPI)
    drawn = block.draw(Encoding.RGB)
    modules = np.array([list(row) for row in segno.make_qr(strip.says, error="l").matrix], bool)
    dark = (drawn == 0).all(axis=2)
    size = block.module_px * len(modules)
    left = block.width_px - round(0.15 * block.patch_px) - 4 * block.module_px - size
    top = (block.height_px - size) // 2
    read = dark[top : top + size, left : left + size]
    assert np.array_equal(modules, read[1 :: block.module_px, 1 :: block.module_px])


def test_height_of_bands_changes_nothing():
    one, _, _ = ran(rows=1)
    other, _, _ = ran(rows=400)
    assert np.array_equal(one.pixels, other.pixels)


def test_a_transparent_picture_is_opaque_where_the_strip_is():
    found, _, _ = ran(alpha=1000)
    assert list_changed(found).any()


@pytest.mark.parametrize("bits", [8, 16])
def test_a_file_of_8_or_16_bits_holds_the_patches_exactly(tmp_path, bits):
    strip = strip_to_lay()
    found, _, _ = ran(strip=strip)
    result = Result(bits=bits)
    with open_result(tmp_path / "r.tif", found.spec, result) as writer:
        writer.write([Band(0, found.pixels)])
    written = tifffile.imread(tmp_path / "r.tif")
    most = 255 if bits == 8 else 65535
    for device in strip.device:
        wanted = np.rint(np.array(device) * most).astype(written.dtype)
        assert px(8) ** 2 <= (written == wanted).all(axis=2).sum()


def test_what_has_no_room_is_said_with_the_setting_that_gives_it():
    found, job, _ = ran(wrap_mm=3)
    assert not list_changed(found).any()
    assert found.findings["laid_on"] is None
    (warning,) = job.warnings
    assert "no-strip" == warning.code
    assert "patches of 8 mm need" in warning.message
    assert "there are 2.0" in warning.message  # 3 mm less the clearance
    assert "give it a bleed or a wrap of" in warning.message
    with pytest.raises(Hold) as held:
        ran(wrap_mm=3, no_room="hold")
    assert "no-strip" == held.value.code


def test_the_room_that_is_advised_is_enough():
    _, job, _ = ran(wrap_mm=3)
    asked = float(job.warnings[0].message.rpartition(" of ")[2].split()[0])
    found, job, _ = ran(wrap_mm=asked)
    assert found.findings["laid_on"]
    assert () == job.warnings


def test_on_a_sheet_it_lies_outside_the_trim_line():
    pixels = np.full((px(260), px(360), 3), GREY, np.uint16)
    trim = (px(30), px(30), px(300), px(180))
    spec = replace(
        make_spec(pixels, ppi=PPI), trim_at_px=trim, front_px=(px(280), px(160)),
        original_at=Area(px(40), px(40), px(280), px(160)),
    )  # fmt: skip
    job = make_job(spec, "matte", standing=MediumStanding(strip=strip_to_lay()))
    found = run_stage(make_stage(MarginStrip, {}), pixels, spec, job=job)
    assert "top" == found.findings["side"]
    changed = list_changed(found)
    left, top, width, height = trim
    assert changed.any()
    assert not changed[top : top + height, left : left + width].any()
    on_border = run_stage(make_stage(MarginStrip, {"on": "border"}), pixels, spec, job=job)
    assert not list_changed(on_border).any()


def test_a_small_print_folds_the_strip_into_rows():
    found, _, _ = ran(wrap_mm=80, front_mm=(150, 150))
    assert found.findings["laid_on"]
    assert found.findings["at_px"][2] <= px(150)


def test_only_the_first_of_a_day_carries_it():
    carried = strip_to_lay(carried_by="20261128-01")
    found, job, _ = ran(strip=carried)
    assert not list_changed(found).any()
    assert "job 20261128-01 carries that of 2026-11-28" == found.findings["left_out"]
    assert () == job.warnings
    found, _, _ = ran(strip=carried, every="print")
    assert list_changed(found).any()


def test_a_border_is_used_only_where_a_person_says_so():
    border = {"original_at": Area(px(40), px(30), px(220), px(140)), "wrap_mm": 0}
    found, _, _ = ran(**border)
    assert not list_changed(found).any()
    found, _, _ = ran(**border, on="border")
    assert list_changed(found).any()
    picture = (slice(px(30), px(170)), slice(px(40), px(260)))
    assert not list_changed(found)[picture].any()
    nowhere, _, _ = ran(original_at=Area(0, 0, 0, 0), wrap_mm=0, on="border")
    assert not list_changed(nowhere).any()


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"result": {"format": "jpeg"}}, "JPEG"),
        ({"strip": strip_to_lay(channels=1)}, "profile-conversion"),
        ({"strip": strip_to_lay(channels=4)}, "profile-conversion"),
    ],
)
def test_what_cannot_hold_its_device_values_gets_none(settings, says):
    found, job, _ = ran(**settings)
    assert not list_changed(found).any()
    assert says in job.warnings[0].message


def test_a_strip_with_more_ink_than_is_allowed_is_not_laid():
    pixels = np.full((40, 40, 4), GREY, np.uint16)
    spec = make_spec(pixels, BOOK, ppi=PPI)
    strip = replace(strip_to_lay(channels=4), device=((1.0, 1.0, 1.0, 0.5),) * 24)
    standing = MediumStanding(strip=strip)
    job = make_job(spec, "matte", standing=standing, profile=BOOK, told=[InkLimit(300.0)])
    run_stage(make_stage(MarginStrip, {}), pixels, spec, job=job)
    assert "350 % ink" in job.warnings[0].message


def test_paper_lies_between_patches_and_around_them():
    strip = strip_to_lay()
    drawn = PatchBlock.fit(strip, (4000, 4000), 8.0, 300).draw(Encoding.RGB)
    paper = (drawn == white(Encoding.RGB)).all(axis=2)
    assert paper[0].all()
    assert paper[-1].all()
    assert paper[:, 0].all()
    assert paper.mean() > 0.3
