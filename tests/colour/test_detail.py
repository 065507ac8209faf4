"""Bringing colours in along their hue, and the boundary that they are brought to."""

import time

import numpy as np
import pytest

import colour
from hotfolder.colour.blocks_of_detail import BlocksOfDetail
from hotfolder.colour.detail import (
    DARKENINGS,
    DARKENINGS_OF_BLUES,
    KNEE,
    LEVEL,
    Direction,
    Reach,
    bring_in,
    find_places,
    reach_of,
)
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.encodings import lab_to_xyz
from hotfolder.colour.engine import to_lab
from hotfolder.colour.gamut_boundary import boundary_of
from hotfolder.colour.medium import nearest
from hotfolder.colour.oklab import lab_to_oklab, oklab_to_lab, real_oklab
from hotfolder.colour.rendering import Detail, Refined, find_reach
from hotfolder.colour.slabs import in_threads
from hotfolder.colour.transform import Transform, _grid_of
from hotfolder.model.encoding import Encoding
from hotfolder.model.rendering import Rendering
from reference.devices import GREY, SRGB, WIDE_RGB, demo_printer, libvips, random_pixels

CMYK = libvips("cmyk")
DIRECTIONS = [Direction(one, other) for one in DARKENINGS for other in DARKENINGS_OF_BLUES]


def canvas():
    return demo_printer("matte-canvas", "4.4")


def random_lab(count=500):
    generator = np.random.default_rng(2)
    return generator.uniform([5, -60, -60], [95, 60, 60], (count, 3))


def test_oklab_is_that_of_colour_science():
    lab = random_lab()
    xyz = colour.chromatic_adaptation(
        lab_to_xyz(lab),
        np.array([0.9642, 1.0, 0.8249]),
        np.array([0.95047, 1.0, 1.08883]),
        method="Von Kries",
        transform="Bradford",
    )
    np.testing.assert_allclose(lab_to_oklab(lab), colour.XYZ_to_Oklab(xyz), atol=1e-6)
    np.testing.assert_allclose(oklab_to_lab(lab_to_oklab(lab)), lab, atol=1e-9)


@pytest.mark.parametrize("profile", [canvas(), CMYK], ids=["canvas", "cmyk"])
def test_the_boundary_can_be_made_and_no_more(profile):
    boundary = boundary_of(profile)
    hues, rows = np.meshgrid(np.arange(0, 360, 30), np.arange(8, 60, 6), indexing="ij")
    steps = np.linspace(boundary.darkest, boundary.lightest, boundary.chroma.shape[1])

    def loss(more):
        chroma = boundary.chroma[hues, rows] + more
        angle = np.radians(hues)
        parts = [steps[rows], chroma * np.cos(angle), chroma * np.sin(angle)]
        lab = oklab_to_lab(np.stack(parts, axis=-1).reshape(-1, 3))
        return nearest(profile, lab).loss

    assert loss(0).max() < 0.5
    assert loss(0.03).min() > 0.2


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize("most", [0.02, 0.1, 1])
@pytest.mark.parametrize("profile", [canvas(), CMYK], ids=["canvas", "cmyk"])
def test_what_can_be_made_lies_within_the_boundary_up_to_white_and_black(profile, most, direction):
    device = np.random.default_rng(3).random((20_000, profile.encoding.channels)) * most
    if profile.encoding is Encoding.RGB:
        device = np.concatenate([1 - device, device])
    else:
        device = device[device.sum(axis=1) <= 2.4]
    lab = to_lab(profile, np.rint(device * 65535).astype(np.uint16))
    r = find_places(boundary_of(profile), lab, direction)[0]
    assert np.percentile(r, 99.9) < 1.1
    made = bring_in(boundary_of(profile), Reach(direction=direction), lab)
    assert np.percentile(delta_e_00(lab, made), 99.9) < 0.6
    assert delta_e_00(lab, made).max() < 3  # none becomes a grey


def test_one_channel_has_no_boundary():
    with pytest.raises(ValueError, match="no hues"):
        boundary_of(GREY)


@pytest.mark.parametrize("medium", [canvas(), CMYK, SRGB], ids=["canvas", "cmyk", "screen"])
def test_a_picture_that_fits_is_not_moved(medium):
    pixels = (random_pixels(3, 2000) // 5 + 26_000).astype(np.uint16)
    reach = find_reach(SRGB, medium, pixels)
    assert (reach.table == 1).all()
    detail, refined = Detail(SRGB, medium, reach=reach), Refined(SRGB, medium)
    np.testing.assert_array_equal(refined.aim(pixels), detail.aim(pixels))
    np.testing.assert_array_equal(refined.convert(pixels), detail.convert(pixels))


def is_seen(oklab):
    """Whether eyes see such colours, by and large; others do not keep the hue of OKLab."""
    return np.isclose(real_oklab(oklab_to_lab(oklab)), oklab, atol=1e-9).all(axis=1)


def test_what_does_not_fit_keeps_its_hue_and_its_order():
    boundary = boundary_of(canvas())
    reach = Reach(np.full((72, 16), 1.8))
    away = np.linspace(0.01, 0.4, 300)
    for hue in np.radians(np.arange(0, 360, 40)):
        oklab = np.stack([np.full(300, 0.6), away * np.cos(hue), away * np.sin(hue)], axis=-1)
        oklab = oklab[seen := is_seen(oklab)]
        made = lab_to_oklab(bring_in(boundary, reach, oklab_to_lab(oklab)))
        chroma = np.hypot(made[:, 1], made[:, 2])
        turned = np.arctan2(made[:, 2], made[:, 1]) - hue
        np.testing.assert_allclose(np.sin(turned), 0, atol=1e-6)
        assert (np.diff(chroma) > -1e-9).all()
        assert np.abs(np.diff(chroma)).max() < 0.003
        moved = np.abs(made - oklab).max(axis=1) > 1e-9
        assert not moved[away[seen] < KNEE * chroma.max() * 0.5].any()
        assert moved[-1]
        assert nearest(canvas(), oklab_to_lab(made)).loss.max() < 0.5


def test_on_the_way_to_a_darker_grey_the_richer_colour_becomes_the_darker():
    boundary = boundary_of(canvas())
    away = np.linspace(0.2, 0.4, 100)
    for direction in [each for each in DIRECTIONS if min(each)]:
        reach = Reach(np.full((72, 16), 1.8), direction)
        for hue in np.radians(np.arange(0, 360, 40)):
            parts = np.full(100, 0.6), away * np.cos(hue), away * np.sin(hue)
            oklab = np.stack(parts, axis=-1)
            oklab = oklab[is_seen(oklab)]
            if not len(oklab):  # of greens there are none so rich
                continue
            made = lab_to_oklab(bring_in(boundary, reach, oklab_to_lab(oklab)))
            turned = np.arctan2(made[:, 2], made[:, 1]) - hue
            np.testing.assert_allclose(np.sin(turned), 0, atol=1e-6)
            assert (np.diff(made[:, 0]) < 0).all()
            assert made[:, 0].min() >= boundary.darkest
            # the darkest entry stands on the one above it, and hollows are not met
            assert nearest(canvas(), oklab_to_lab(made)).loss.max() < 1.2


@pytest.mark.parametrize("direction", DIRECTIONS[1:])
@pytest.mark.parametrize("medium", [canvas(), CMYK], ids=["canvas", "cmyk"])
def test_a_bright_colour_far_beyond_the_medium_does_not_become_black(medium, direction):
    """The colours round the edges of BT.2020, as colour-science knows it, in the light half of the
    cube. A bright blue patch of a photograph in a wide space was printed black: what a level way
    leaves of a colour's chroma, one to a darker grey must leave at least three quarters of."""
    space = colour.RGB_COLOURSPACES["ITU-R BT.2020"]
    hue, value = np.meshgrid(np.linspace(0, 1, 60, endpoint=False), [0.3, 0.6, 1.0])
    rgb = colour.HSV_to_RGB(np.stack([hue, np.ones_like(hue), value], axis=-1).reshape(-1, 3))
    white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    lab = colour.XYZ_to_Lab(colour.RGB_to_XYZ(rgb, space, white), white)
    lab = lab[lab[:, 0] > 50]
    for reach in (1.0, 1.8, 4.0):
        table = np.full((72, 16), reach)
        made, level = (
            bring_in(boundary_of(medium), Reach(table, way), lab) for way in (direction, LEVEL)
        )
        assert (made[:, 0] - lab[:, 0]).min() > -25
        assert (np.hypot(*made[:, 1:].T) > np.hypot(*level[:, 1:].T) * 0.75).all()


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize("medium", [canvas(), CMYK], ids=["canvas", "cmyk"])
def test_a_blue_that_no_eye_sees_stays_blue_on_its_way_to_white(medium, direction):
    """ProPhoto's blue, as colour-science knows it, lies beyond all lights. OKLab gives it the hue
    of a green, and takes it to blue in a jump on the way to white."""
    space = colour.RGB_COLOURSPACES["ProPhoto RGB"]
    white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    rgb = np.ones((2000, 3)) * np.linspace(0.05, 1, 2000)[:, None] ** 1.8
    rgb[:, 2] = 1
    lab = colour.XYZ_to_Lab(colour.RGB_to_XYZ(rgb, space, white), white)
    made = bring_in(boundary_of(medium), Reach(np.full((72, 16), 2.0), direction), lab)
    assert delta_e_00(made[1:], made[:-1]).max() < 0.5
    hue = np.degrees(np.arctan2(made[:, 2], made[:, 1])) % 360
    is_blue = np.hypot(made[:, 1], made[:, 2]) > 10
    assert is_blue.sum() > 1000
    assert hue[is_blue].min() > 230
    assert hue[is_blue].max() < 330


def test_a_picture_that_is_drawn_by_chroma_is_darkened_and_one_by_lightness_is_not():
    """Stripes among colours that do not fit, of one hue."""
    boundary = boundary_of(canvas())
    stripes = np.tile([0.0, 0.0, 1.0, 1.0], (40, 20))
    hue = np.radians(10)
    found = []
    for lightness, chroma in ((0 * stripes, 0.06 * stripes), (-0.06 * stripes, 0 * stripes)):
        away = 0.26 + chroma
        oklab = np.stack([0.66 + lightness, away * np.cos(hue), away * np.sin(hue)], axis=-1)
        wanted = oklab_to_lab(oklab.reshape(-1, 3)).reshape(oklab.shape)
        found.append(reach_of(boundary, wanted).direction.others)
    by_chroma, by_lightness = found
    assert by_chroma > by_lightness


def test_blues_are_darkened_though_greens_beside_them_are_not():
    """Violets drawn by chroma beside greens that are the lighter the richer they are, as in a
    picture of both: no one direction kept the drawing of both."""
    boundary = boundary_of(canvas())
    rich = np.tile([0.0, 0.0, 1.0, 1.0], (40, 20))
    halves = []
    for hue, lightness, chroma in ((300, 0.55, 0.16 + 0.06 * rich), (140, 0.7, 0.17 + 0.04 * rich)):
        light = lightness + (0.06 * rich if hue == 140 else 0 * rich)
        angle = np.radians(hue)
        halves.append(np.stack([light, chroma * np.cos(angle), chroma * np.sin(angle)], axis=-1))
    oklab = np.concatenate(halves)
    wanted = oklab_to_lab(oklab.reshape(-1, 3)).reshape(oklab.shape)
    direction = reach_of(boundary, wanted).direction
    assert direction.others == 0
    assert direction.blues > 0


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize("medium", [canvas(), CMYK], ids=["canvas", "cmyk"])
def test_neighbouring_colours_do_not_come_apart(medium, direction):
    """Along chroma, in steps of a thousandth. Lines to greys as dark as black met the boundary
    here and there, so that of two dark blues one became black, 17 ΔE00 from the other."""
    boundary = boundary_of(medium)
    lightness, hue, away = np.meshgrid(
        np.arange(boundary.darkest + 0.02, 0.95, 0.04),
        np.radians(np.arange(0, 360, 6)),
        np.linspace(0.02, 0.4, 381),
        indexing="ij",
    )
    lines = np.stack([lightness, away * np.cos(hue), away * np.sin(hue)], axis=-1).reshape(-1, 3)
    made = bring_in(boundary, Reach(np.full((72, 16), 1.8), direction), oklab_to_lab(lines))
    apart = delta_e_00(made[1:], made[:-1])
    seen = is_seen(lines)
    is_step = (np.diff(lines, axis=0) ** 2).sum(axis=1) < 1e-5  # not from line to line
    assert apart[seen[1:] & seen[:-1] & is_step].max() < 0.6


def test_white_and_black_stay_where_the_picture_goes_far():
    boundary = boundary_of(CMYK)
    lab = random_lab(5000) * [1, 1.5, 1.5]
    reach = reach_of(boundary, lab)
    assert reach.table.max() > 1.5
    white = np.array([[100.0, 0, 0]])
    np.testing.assert_allclose(bring_in(boundary, reach, white), white, atol=0.5)


def test_reaches_are_equal_by_what_they_say():
    one, other, none = Reach(np.full((72, 16), 1.5)), Reach(np.full((72, 16), 1.5)), Reach()
    assert one == other != none
    assert (hash(one), one.sha256) == (hash(other), other.sha256)
    assert one.sha256 != none.sha256
    for direction in (Direction(0.5, 0.0), Direction(0.0, 0.5)):
        assert one != Reach(one.table, direction)
        assert one.sha256 != Reach(one.table, direction).sha256


@pytest.mark.parametrize("medium", [canvas(), CMYK, SRGB], ids=["canvas", "cmyk", "screen"])
def test_neighbours_that_do_not_fit_stay_apart(medium):
    """A ramp of chroma beyond the medium, which refined makes one colour of, keeps its order."""
    hue = np.radians(30)
    boundary = boundary_of(medium)
    most = boundary.chroma[30].max()
    lightness = np.linspace(boundary.darkest, boundary.lightest, 65)[boundary.chroma[30].argmax()]
    away = np.linspace(1.0, 1.4, 60) * most
    ramp = np.stack([np.full(60, lightness), away * np.cos(hue), away * np.sin(hue)], axis=-1)
    lab = oklab_to_lab(ramp)
    reach = reach_of(boundary, np.repeat(lab, 20, axis=0))
    made = {
        "clipped": bring_in(boundary, Reach(), lab),
        "detail": bring_in(boundary, reach, lab),
    }
    apart = {name: np.ptp(np.hypot(each[:, 1], each[:, 2])) for name, each in made.items()}
    assert apart["detail"] > 1 + apart["clipped"]


def test_a_wide_picture_on_a_screen_keeps_its_hues():
    pixels = random_pixels(3, 3000)
    reach = find_reach(WIDE_RGB, SRGB, pixels)
    detail = Detail(WIDE_RGB, SRGB, reach=reach)
    wanted, made = (lab_to_oklab(each) for each in (
        Refined(WIDE_RGB, SRGB).aim(pixels), detail.aim(pixels)
    ))  # fmt: skip
    coloured = np.hypot(made[..., 1], made[..., 2]) > 0.05
    turn = np.arctan2(made[..., 2], made[..., 1]) - np.arctan2(wanted[..., 2], wanted[..., 1])
    assert np.abs(np.sin(turn[coloured])).max() < 1e-6


@pytest.mark.parametrize("medium", [canvas(), CMYK], ids=["canvas", "cmyk"])
def test_points_on_the_way_to_the_boundary_are_near_to_those_that_are_searched_for(medium):
    generator = np.random.default_rng(4)
    greens = generator.integers([4000, 40000, 4000], [14000, 60000, 16000], (60, 80, 3))
    pixels = greens.astype(np.uint16)
    reach = Reach(np.full((72, 16), 1.6), Direction(0.5, 0.5))
    moved = Detail(SRGB, medium, reach=reach).aim(pixels) != Refined(SRGB, medium).aim(pixels)
    assert moved.any(axis=-1).mean() > 0.8
    fine = Transform(SRGB, medium, rendering=Rendering.DETAIL, reach=reach)
    made = fine.apply(pixels)
    off = fine.errors(pixels.reshape(-1, 3), made.reshape(-1, made.shape[-1]))
    assert off.mean() <= 0.02
    assert off.max() <= 0.75
    assert fine.bound.exact_share < 0.1


def pixels_of_every_kind():
    """Squares with grain, of colours from all of the source's space."""
    squares = np.random.default_rng(5).integers(0, 65536, (40, 40, 3))
    spread = np.kron(squares, np.ones((6, 6, 1)))
    noise = np.random.default_rng(6).normal(0, 1000, spread.shape)
    return np.clip(spread + noise, 0, 65535).astype(np.uint16)


def test_refined_is_the_same_after_detail_has_asked_for_its_points():
    pixels = pixels_of_every_kind()
    _grid_of.cache_clear()
    alone = Transform(SRGB, CMYK, rendering=Rendering.REFINED)
    expected = alone.apply(pixels)
    assert alone.bound.exact_share > 0
    _grid_of.cache_clear()
    Transform(SRGB, CMYK, rendering=Rendering.DETAIL, reach=Reach()).apply(pixels)
    after = Transform(SRGB, CMYK, rendering=Rendering.REFINED)
    np.testing.assert_array_equal(after.apply(pixels), expected)


def test_stages_that_ask_at_the_same_moment_get_the_same_points(monkeypatch):
    _grid_of.cache_clear()
    made = []
    from_blocks = BlocksOfDetail.__init__

    def slowly(self, *arguments):
        made.append(self)
        time.sleep(0.05)
        from_blocks(self, *arguments)

    monkeypatch.setattr(BlocksOfDetail, "__init__", slowly)
    reach = Reach(direction=Direction(0.5, 1.0))
    in_threads(lambda _: Transform(SRGB, CMYK, rendering=Rendering.DETAIL, reach=reach), range(4))
    assert len(made) == 1


def test_points_made_at_once_are_those_made_band_by_band():
    pixels = pixels_of_every_kind()
    made = []
    for at_once in (True, False):
        _grid_of.cache_clear()
        transform = Transform(SRGB, CMYK, rendering=Rendering.DETAIL, reach=Reach())
        if at_once:
            used = transform.new_use()
            for top in range(0, len(pixels), 70):
                used.add(pixels[top : top + 70])
            transform.make_ready(used.find())
        parts = [transform.apply(pixels[top : top + 50]) for top in range(0, len(pixels), 50)]
        made.append((np.concatenate(parts), transform.bound))
    (one, its_bound), (other, other_bound) = made
    np.testing.assert_array_equal(one, other)
    assert its_bound.exact_share == other_bound.exact_share
    assert its_bound.colours == other_bound.colours
