"""What is measured of profiles: planted defects are found, good profiles raise no doubt.

Round trip, black and the nodes of tables are held against iccdev, the ICC's reference
implementation, and against Pillow's LittleCMS; volumes against the integral of the closed form.
"""

import io
from functools import cache

import numpy as np
import pytest
from PIL import Image, ImageCms

from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.encodings import xyz_to_lab
from hotfolder.colour.lookup_tables import read_tables
from hotfolder.colour.profile import Profile, lab_profile
from hotfolder.colour.profile_measures import measure, measure_quickly
from hotfolder.overview.profile_findings import find, find_quickly
from hotfolder_demo import profiles as demo
from hotfolder_demo.profiles import P3_PRIMARIES, SRGB_PRIMARIES, linear_rgb_to_pcs
from reference.chain import lab_by_iccdev
from reference.devices import DISPLAY_P3, GREY, SRGB, WIDE_RGB, demo_printer, libvips
from reference.planted import plant, with_white

pytestmark = pytest.mark.slow

CANVAS, CANVAS_2 = demo_printer("matte-canvas", "4.4"), demo_printer("matte-canvas", "2.4")
BOOK, BOOK_2 = demo_printer("coated-book", "4.4"), demo_printer("coated-book", "2.4")
CMYK = libvips("cmyk")


@cache
def of_size(name, device_side, lab_side):
    """A printer of the demo with other numbers of points."""
    before = demo._DEVICE_GRID, demo._LAB_GRID, demo._NEUTRAL
    try:
        demo._DEVICE_GRID = {3: device_side, 4: device_side}
        demo._LAB_GRID, demo._NEUTRAL = lab_side, ((lab_side - 3) / 2) / (lab_side - 1)
        return Profile.parse(demo.build_profile(demo.read_recipe(recipe(name)), "2.4"))
    finally:
        demo._DEVICE_GRID, demo._LAB_GRID, demo._NEUTRAL = before


def recipe(name):
    from importlib import resources

    return resources.files("hotfolder_defaults") / "profiles" / f"{name}.toml"


def rounded(profile, *names, levels=256):
    for name in names:
        profile = plant(profile, name, lambda v: np.rint(v * (levels - 1)) / (levels - 1))
    return profile


GOOD = {
    "canvas, version 4": lambda: CANVAS,
    "canvas, version 2": lambda: CANVAS_2,
    "book, version 4": lambda: BOOK,
    "book, version 2": lambda: BOOK_2,
    "canvas of 17 and 19 points": lambda: of_size("matte-canvas", 17, 19),
    "book of 9 and 27 points": lambda: of_size("coated-book", 9, 27),
    "canvas to 8 bits": lambda: rounded(CANVAS, "B2A0", "B2A1"),
    "book to 8 bits": lambda: rounded(BOOK_2, "B2A0", "B2A1", "A2B0", "A2B1"),
    "libvips' CMYK": lambda: CMYK,
    "libvips' sRGB": lambda: libvips("srgb"),
    "libvips' P3": lambda: libvips("p3"),
    "sRGB": lambda: SRGB,
    "wide RGB": lambda: WIDE_RGB,
    "P3": lambda: DISPLAY_P3,
    "grey": lambda: GREY,
}


@pytest.mark.parametrize("name", GOOD)
def test_a_good_profile_raises_no_doubt(name):
    profile = GOOD[name]()
    said = find_quickly(profile, measure_quickly(profile))
    assert [each.sentence() for each in said if each.is_doubt] == []
    assert ("table-of-8-bits" in {each.code for each in said}) == name.endswith("8 bits")


def kink(nodes):
    at = (nodes.shape[0] // 2,) * (nodes.ndim - 1)
    nodes[at] += 0.15


def bent_row(nodes):
    at = nodes.shape[0] // 2
    nodes[at, at] += 0.15


def bent_slice(nodes):
    nodes[nodes.shape[0] // 2] += 0.1


def exchanged_slices(nodes):
    at = nodes.shape[1] // 2
    nodes[:, [at, at + 1]] = nodes[:, [at + 1, at]]


def exchanged_rows(nodes):
    at = nodes.shape[0] // 2
    nodes[[at, at + 1], at] = nodes[[at + 1, at], at]


def posterised(nodes):
    return np.rint(nodes * 15) / 15


def posterised_rows(nodes):
    at = nodes.shape[0] // 2
    nodes[at] = np.rint(nodes[at] * 7) / 7


PLANTED = {
    "a kink": (kink, "table-out-of-line", "a point near"),
    "a row that is bent": (bent_row, "table-out-of-line", "a row of points near"),
    "a slice that is bent": (bent_slice, "table-out-of-line", "a whole slice of points near"),
    "slices exchanged": (exchanged_slices, "table-out-of-line", "two neighbouring slices"),
    "rows exchanged": (exchanged_rows, "table-out-of-line", "neighbouring rows"),
    "posterised": (posterised, "table-posterised", ""),
    "rows posterised": (posterised_rows, "table-", ""),
}
PRINTERS = {"canvas": CANVAS, "book": BOOK_2, "libvips' CMYK": CMYK}


@pytest.mark.parametrize("table", ["A2B1", "B2A1"])
@pytest.mark.parametrize("printer", PRINTERS)
@pytest.mark.parametrize("defect", PLANTED)
def test_a_planted_defect_is_found_where_it_is(defect, printer, table):
    change, code, words = PLANTED[defect]
    profile = plant(PRINTERS[printer], table, change)
    said = find_quickly(profile, measure_quickly(profile))
    doubts = [each for each in said if each.is_doubt and each.code.startswith(code)]
    kind = "to device values" if table == "B2A1" else "device values to"
    assert [each for each in doubts if kind in each.what and words in each.what], [
        each.sentence() for each in said
    ]


@pytest.mark.parametrize("table", ["A2B1", "B2A1"])
@pytest.mark.parametrize("levels", [8, 32, 100])
@pytest.mark.parametrize("printer", ["canvas", "libvips' CMYK"])
def test_any_number_of_levels_below_8_bits_is_posterised(printer, levels, table):
    profile = rounded(PRINTERS[printer], table, levels=levels)
    said = find_quickly(profile, measure_quickly(profile))
    assert "table-posterised" in {each.code for each in said if each.is_doubt}


WRONG_WHITES = {
    "of a display": (with_white(CANVAS, (0.9505, 1.0, 1.0891)), "white-wrong"),
    "much too dark": (with_white(BOOK, (0.33, 0.34, 0.28)), "white-wrong"),
    "measured absolute": (
        plant(CANVAS, "A2B1", lambda v: v * [0.95, 1, 1] + [0, 0, 0.01]),
        "white-off",
    ),
    "with ink": (plant(BOOK_2, "B2A1", lambda v: np.maximum(v, 0.05)), "white-inked"),
}


@pytest.mark.parametrize("name", WRONG_WHITES)
def test_a_wrong_white_is_found(name):
    profile, code = WRONG_WHITES[name]
    said = find_quickly(profile, measure_quickly(profile))
    assert code in {each.code for each in said if each.is_doubt}


def test_greys_that_fall_or_jump_are_found():
    def turned(nodes):
        """Around L* 50 the table answers as if less light were wanted."""
        at = nodes.shape[0] // 2
        nodes[at : at + 3] = nodes[at - 3]

    profile = plant(CANVAS, "B2A1", turned)
    codes = {each.code for each in find_quickly(profile, measure_quickly(profile))}
    assert "greys-jump" in codes or "greys-fall" in codes


def test_channels_that_are_exchanged_are_found():
    profile = plant(CANVAS, "A2B1", lambda v: v.swapaxes(0, 1))
    said = find_quickly(profile, measure_quickly(profile))
    assert "solid red has the hue" in next(
        each.what for each in said if each.code == "channels-exchanged"
    )


@pytest.mark.parametrize("profile", [CANVAS, BOOK_2, CMYK], ids=["canvas", "book", "CMYK"])
def test_nodes_mean_what_iccdev_says(profile, tmp_path):
    """At the points of A2B1 nothing is interpolated: curves, nodes and encodings are compared."""
    table = next(each for each in read_tables(profile) if each.name in ("A2B1", "A2B0"))
    if "A2B1" in profile.tags:
        table = next(
            each for each in read_tables(profile) if profile.tags[each.name] == profile.tags["A2B1"]
        )
    generator = np.random.default_rng(3)
    index = generator.integers(0, table.sides[0], (400, len(table.sides)))
    device = np.array([[table.input_at(axis, at) for axis, at in enumerate(row)] for row in index])
    lab = lab_by_iccdev(profile, np.rint(device * 65535).astype(np.uint16), tmp_path)
    ours = table.made[tuple(index.T)]
    assert np.percentile(delta_e_00(lab, ours), 95) < 0.05


@pytest.mark.parametrize("profile", [CANVAS, BOOK_2, CMYK], ids=["canvas", "book", "CMYK"])
def test_the_darkest_black_is_the_darkest_of_a_plain_search(profile, tmp_path):
    """Random device values by iccdev: none within limit and chroma is darker by more than 0.2."""
    measures = measure(profile)
    *ways, darkest = measures.blacks
    device = np.random.default_rng(4).random((60_000, profile.encoding.channels))
    device **= 0.2 if profile.space == "CMYK" else 5
    limit = np.inf if measures.ink_limit is None else measures.ink_limit
    device *= np.minimum(1, limit / device.sum(axis=1))[:, None]
    lab = lab_by_iccdev(profile, np.rint(device * 65535).astype(np.uint16), tmp_path)
    allowed = max(3.0, *(np.hypot(*each.lab[1:]) for each in ways))
    found = lab[np.hypot(lab[:, 1], lab[:, 2]) <= allowed, 0].min()
    assert darkest.lab[0] <= found + 0.2
    assert sum(darkest.device) <= limit + 1e-6
    assert darkest.lab[0] <= min(each.lab[0] for each in ways) + 0.05


def test_blacks_and_round_trip_are_those_of_pillow():
    """8 bits, through Pillow's own LittleCMS, so to half an L* and half a ΔE00."""
    measures = measure(CANVAS)
    lab = ImageCms.createProfile("LAB")
    printer = ImageCms.ImageCmsProfile(io.BytesIO(CANVAS.data))
    black = Image.new("LAB", (1, 1), (0, 128, 128))
    there = ImageCms.buildTransform(lab, printer, "LAB", "RGB", renderingIntent=1)
    back = ImageCms.buildTransform(printer, lab, "RGB", "LAB", renderingIntent=1)
    made = ImageCms.applyTransform(black, there)
    seen = ImageCms.applyTransform(made, back).getpixel((0, 0))[0] / 2.55
    relative = next(each for each in measures.blacks if each.name == "relative colorimetric")
    assert abs(relative.lab[0] - seen) < 0.5
    generator = np.random.default_rng(5)
    device = Image.fromarray(generator.integers(0, 256, (100, 100, 3), np.uint8), "RGB")
    first = ImageCms.applyTransform(device, back)
    second = ImageCms.applyTransform(ImageCms.applyTransform(first, there), back)
    difference = delta_e_00(decoded(first), decoded(second))
    assert abs(difference.mean() - np.nanmean(measures.round_trip.mean)) < 0.5


def decoded(image):
    values = np.asarray(image).astype(np.int16)
    signed = np.where(values[..., 1:] > 127, values[..., 1:] - 256, values[..., 1:])
    return np.concatenate([values[..., :1] / 2.55, signed], axis=-1).astype(float)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("profile", "primaries"), [(SRGB, SRGB_PRIMARIES), (DISPLAY_P3, P3_PRIMARIES)]
)
def test_volume_is_the_integral_of_the_closed_form(profile, primaries):
    """The volume of CIELAB that linear RGB fills: the sum of the Jacobian over its cube."""
    matrix = linear_rgb_to_pcs(primaries)
    side = 96
    at = ((np.arange(side) + 0.5) / side) ** 3  # closer where CIELAB bends most
    width = np.diff((np.arange(side + 1) / side) ** 3)
    rgb = np.stack(np.meshgrid(at, at, at, indexing="ij"), axis=-1).reshape(-1, 3)
    step = 1e-6
    slopes = [
        (xyz_to_lab((rgb + step * e) @ matrix.T) - xyz_to_lab((rgb - step * e) @ matrix.T))
        / (2 * step)
        for e in np.eye(3)
    ]
    jacobian = np.abs(np.linalg.det(np.stack(slopes, axis=-1)))
    weights = (width[:, None, None] * width[:, None] * width).ravel()
    assert measure(profile).gamut.volume == pytest.approx(float(jacobian @ weights), rel=0.04)


def test_the_demo_is_said_to_be_invented_and_lab_is_no_device():
    assert "invented" in {each.code for each in find(measure(CANVAS)) if each.is_doubt}
    assert "invented" not in {each.code for each in find(measure(CMYK))}
    with pytest.raises(ValueError, match="Lab is no device"):
        measure_quickly(lab_profile())


def test_characterisation_data_are_read():
    condition = measure(CMYK).condition
    assert condition.has_target
    assert ("DEVICE_CLASS", "OUTPUT") in condition.target
