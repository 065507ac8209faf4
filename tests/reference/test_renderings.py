"""Renderings by the measurement model, against a slow and plain search through LittleCMS.

Colours are those of the demo's scenes and random ones of a wide space, so that some fit and some
do not.
"""

import numpy as np
import pytest
import tifffile
from PIL import Image

from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.engine import BLACK_POINT_COMPENSATION, NO_GRID, convert_pixels, to_lab
from hotfolder.colour.loss import Route, medium_losses
from hotfolder.colour.measurement_model import measurement_model
from hotfolder.colour.medium import by_table, largest_ink_sum, nearest
from hotfolder.colour.rendering import Refined, wanted_colours
from hotfolder.model.intent import Intent
from hotfolder_demo.scenes import write_scenes
from reference.brute_force import brute_force
from reference.devices import SRGB, WIDE_RGB, demo_printer, libvips

PRINTERS = {
    "libvips": lambda: libvips("cmyk"),
    "canvas": lambda: demo_printer("matte-canvas", "4.4"),
    "canvas 2": lambda: demo_printer("matte-canvas", "2.4"),
    "book": lambda: demo_printer("coated-book", "4.4"),
    "book 2": lambda: demo_printer("coated-book", "2.4"),
}
TOLERANCE = 3.0


@pytest.fixture(scope="module")
def pixels(tmp_path_factory):
    """Colours of all scenes, 400 in the wide space: shape (n, 3)."""
    written = write_scenes(tmp_path_factory.mktemp("scenes"), long_edge_px=120)
    found = []
    for path in written["fine-art-canvas"] + written["book-pages"]:
        if path.name in {"dawn over the flats.tif", "reeds and buoys.tif", "24-patch chart.tif"}:
            found.append(tifffile.imread(path).reshape(-1, 3))
        elif path.name == "moorings.png":
            found.append(np.asarray(Image.open(path)).astype(np.uint16).reshape(-1, 3) * 257)
    generator = np.random.default_rng(3)
    seen = [generator.choice(each, 320 // len(found)) for each in found]
    return np.concatenate([*seen, generator.integers(0, 65536, (80, 3), dtype=np.uint16)])


def codes(device):
    return np.rint(device * 65535).astype(np.uint16)


@pytest.mark.parametrize("printer", PRINTERS)
def test_the_model_is_what_littlecms_makes_of_the_table(printer):
    profile = PRINTERS[printer]()
    model = measurement_model(profile)
    device = np.random.default_rng(5).integers(0, 65536, (20_000, model.channels), dtype=np.uint16)
    off = delta_e_00(to_lab(profile, device), model.lab(device / 65535))
    assert off.mean() < 0.01
    assert off.max() < 0.1
    assert model.error_mean == pytest.approx(off.mean(), abs=0.001)


@pytest.mark.slow
@pytest.mark.parametrize("printer", PRINTERS)
def test_what_the_medium_cannot_make_is_what_a_plain_search_does_not_find(printer, pixels):
    profile = PRINTERS[printer]()
    some = pixels[::10] if printer.endswith("2") else pixels[::5]
    wanted = wanted_colours(WIDE_RGB, profile, some)
    caps = None
    if profile.encoding.channels == 4:
        caps = np.full(len(wanted), largest_ink_sum(profile))
    expected = brute_force(profile, wanted, caps)
    found = nearest(profile, wanted, enough=0.02)
    loss = found.loss
    assert (expected > TOLERANCE).any()
    # One way only: what the plain search has not found either is no fault. Of blues more than 10
    # away, CIEDE2000's nearest is one of another hue, which a search that goes downhill misses.
    assert (loss - expected)[expected < 10].max() < 0.3
    assert (loss / expected)[expected >= 10].max(initial=1) < 1.2
    assert (loss - expected)[expected < 10].mean() < 0.02
    assert abs((loss > TOLERANCE).mean() - (expected > TOLERANCE).mean()) < 0.01
    # The gamut check's question is answered alike by the search that ends when it knows.
    decided = medium_losses(Route(WIDE_RGB, profile), some, enough=TOLERANCE) > TOLERANCE
    assert abs(decided.mean() - (expected > TOLERANCE).mean()) < 0.01
    # What is told can be made: LittleCMS makes it.
    made = delta_e_00(wanted, to_lab(profile, codes(found.device)))
    np.testing.assert_allclose(made, loss, atol=0.1)
    if caps is not None:
        assert (found.device.sum(axis=1) <= caps + 1e-6).all()


@pytest.mark.slow
@pytest.mark.parametrize("printer", PRINTERS)
def test_refined_is_as_near_as_the_same_ink_allows(printer, pixels):
    profile = PRINTERS[printer]()
    some = pixels[::10] if printer.endswith("2") else pixels[::5]
    wanted = wanted_colours(WIDE_RGB, profile, some)
    table = by_table(profile, wanted)
    caps = table.sum(axis=1) / 65535 if profile.encoding.channels == 4 else None
    expected = brute_force(profile, wanted, caps)
    device = Refined(WIDE_RGB, profile).convert(some)
    off = delta_e_00(wanted, to_lab(profile, device))
    by_the_table = delta_e_00(wanted, to_lab(profile, table))
    assert (by_the_table - expected).mean() > 0.15
    assert off.mean() - expected.mean() < 0.1
    if caps is not None:
        assert (device.sum(axis=1, dtype=np.int64) <= table.sum(axis=1, dtype=np.int64)).all()


def lines(count=120, steps=65):
    """Straight lines through the source, a code of 8 bits a step: shape (count, steps, 3)."""
    generator = np.random.default_rng(4)
    first = generator.integers(8000, 57_000, (count, 1, 3))
    way = generator.normal(size=(count, 1, 3))
    way /= np.linalg.norm(way, axis=-1, keepdims=True)
    at = first + way * np.arange(steps)[None, :, None] * 257
    return np.clip(np.rint(at), 0, 65535).astype(np.uint16)


def bends(values):
    """Root mean square of second differences along lines."""
    return float(np.sqrt((np.diff(values.astype(float), 2, axis=1) ** 2).sum(axis=-1).mean()))


@pytest.mark.parametrize("printer", PRINTERS)
def test_neighbouring_colours_step_no_more_roughly_than_the_tables(printer):
    profile, source = PRINTERS[printer](), lines()
    shape = source.shape[:2]
    flat = source.reshape(-1, 3)
    wanted = wanted_colours(SRGB, profile, flat)
    table, device = by_table(profile, wanted), Refined(SRGB, profile).convert(flat)
    made = [to_lab(profile, each).reshape(*shape, 3) for each in (table, device)]
    # The table has smoothed away bends of the measurements that an inverse follows.
    assert bends(made[1]) <= 1.5 * bends(made[0])
    assert np.abs(np.diff(made[1], 2, axis=1)).max() < 1
    inks = [each.reshape(*shape, -1) / 655.35 for each in (table, device)]
    assert bends(inks[1]) <= 1.8 * bends(inks[0])
    assert np.abs(np.diff(inks[1], 2, axis=1)).max() < 4
    if profile.encoding.channels == 4:
        black = np.abs(inks[1][..., 3] - inks[0][..., 3])
        assert black.mean() < 3


def test_black_is_compensated_for_as_littlecms_does(pixels):
    """The source's black becomes the medium's, so that darks are as far apart as they were."""
    profile = PRINTERS["canvas"]()
    ramp = np.repeat(np.linspace(0, 65535, 60).astype(np.uint16)[:, None], 3, axis=1)
    through = convert_pixels(
        ramp[None], SRGB, profile, Intent.RELATIVE_COLORIMETRIC, NO_GRID | BLACK_POINT_COMPENSATION
    )[0]
    theirs = to_lab(profile, through)[:, 0]
    ours = to_lab(profile, Refined(SRGB, profile).convert(ramp))[:, 0]
    np.testing.assert_allclose(ours, theirs, atol=1.0)
    assert np.diff(ours).min() > 0
