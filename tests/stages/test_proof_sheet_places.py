"""Stage proof-sheet: the places that it shows, and the pixels gathered of them."""

import numpy as np
import pytest

from hotfolder import (
    IntentChosen,
)
from hotfolder.colour.loss import Route, losses
from hotfolder.colour.worst_places import LONG_EDGE_PX, WorstPlaces
from hotfolder.model.intent import Intent
from hotfolder.testing import cut
from reference.devices import SRGB, WIDE_RGB
from stages.driving import spec_of
from stages.sheets import CANVAS, NOTHING, collected, conversion, made, picture, unmoved

pytestmark = pytest.mark.slow


def test_a_reduced_checkerboard_is_as_bright_as_it_looks():
    # 188 of 255: half the light of white in sRGB (IEC 61966-2-1)
    squares = np.indices((64, 2 * LONG_EDGE_PX)).sum(axis=0) % 2
    pixels = np.repeat(squares[..., None] * 65535, 3, axis=2).astype(np.uint16)
    reduced = collected(pixels).reduced()
    assert (32, LONG_EDGE_PX, 3) == reduced.pixels.shape
    assert 188 == pytest.approx(float(reduced.pixels.mean()) / 257, abs=0.5)


@pytest.mark.parametrize(
    ("height", "width"), [(1, 1), (5, 3000), (2999, 3), (1025, 1025), (260, 7)]
)
def test_any_shape_is_reduced_whole(height, width):
    pixels = np.full((height, width, 3), 40000, np.uint16)
    reduced = collected(pixels).reduced()
    factor = -(-max(height, width) // LONG_EDGE_PX)
    expected = (max(1, height // factor), max(1, width // factor), 3)
    assert expected == reduced.pixels.shape
    np.testing.assert_allclose(reduced.pixels, 40000, atol=2)


def test_the_worst_place_comes_first_and_has_the_pictures_own_pixels():
    rng = np.random.default_rng(1)
    pixels = rng.integers(0, 60000, (1100, 2100, 3), dtype=np.uint16)
    pixels[700:760, 1500:1560] = 65535  # the table below calls white lost, and nothing else

    def look_up(codes):
        lost = (codes.min(axis=2) > 64000) * np.uint16(20000)
        return np.stack([lost, np.zeros_like(lost)], axis=-1)

    first, *others = collected(pixels, look_up=look_up).places(3)
    rows, columns = (
        slice(first.top_px, first.top_px + first.height_px),
        slice(first.left_px, first.left_px + first.width_px),
    )
    np.testing.assert_array_equal(pixels[rows, columns], first.pixels)
    assert (first.pixels == 65535).all(axis=2).any()
    assert first.lost > max(place.lost for place in others)
    corners = {(place.top_px, place.left_px) for place in (first, *others)}
    assert 3 == len(corners)


@pytest.mark.parametrize("swapped", [False, True])
def test_the_worst_place_is_the_worst_as_it_is_delivered(swapped, tmp_path):
    """Two halves: relative colorimetric loses more of one, perceptual, which is chosen, of both."""
    chosen = IntentChosen(Intent.PERCEPTUAL, "It keeps the petals.")
    colours = np.random.default_rng(1).integers(0, 65536, (2000, 3), dtype=np.uint16)
    relative, perceptual = (
        losses(Route(WIDE_RGB, CANVAS, intent), colours)[0]
        for intent in (Intent.RELATIVE_COLORIMETRIC, Intent.PERCEPTUAL)
    )
    one = int(np.argmax(np.where(perceptual < 7, relative, 0)))
    other = int(np.argmax(np.where(relative < relative[one] - 2, perceptual, 0)))
    assert perceptual[other] > perceptual[one] + 2
    pixels = np.empty((256, 1024, 3), np.uint16)
    pixels[:, :512], pixels[:, 512:] = colours[one], colours[other]
    pixels = pixels[:, ::-1].copy() if swapped else pixels
    least = [conversion(intent="least loss")]
    _, findings, _ = made(pixels, tmp_path, beside=least, told=[chosen])
    place = findings["places"][0]
    assert (place["left_px"] >= 512) == (not swapped)


def test_places_are_weighed_again_by_what_is_delivered():
    def look_up(codes):
        found = np.zeros((*codes.shape[:2], 2), np.uint16)
        found[:, : codes.shape[1] // 2, 0] = 20000
        found[:, codes.shape[1] // 2 :, 0] = 10000
        return found

    collector = collected(picture(), look_up=look_up)
    assert collector.places(1)[0].left_px == 0
    delivered = np.asarray(collector.reduced().loss)[:, ::-1].copy()
    collector.judge(delivered)
    worst = collector.places(1)[0]
    assert worst.left_px == 144
    assert worst.lost > 0
    np.testing.assert_allclose(collector.reduced().loss, delivered, atol=0.001)


def striped(height=1024, width=2048):
    """Flat, with fine stripes in its upper right corner."""
    pixels = np.full((height, width, 3), 30000, np.uint16)
    pixels[:256, -256:, :] += (np.arange(256, dtype=np.uint16) // 4 % 2 * 20000)[None, :, None]
    return pixels


@pytest.mark.parametrize("rows", [1, 100, 700, 5000])
def test_the_height_of_the_bands_changes_no_place(rows):
    pixels = np.random.default_rng(4).integers(0, 65536, (1100, 2048, 3), np.uint16)

    def look_up(codes):
        return codes[..., :2]

    whole, other = collected(pixels, look_up=look_up), collected(pixels, look_up=look_up, rows=rows)
    for one, same in zip(whole.places(4), other.places(4), strict=True):
        assert one == same
        np.testing.assert_array_equal(one.pixels, same.pixels)
    np.testing.assert_array_equal(whole.reduced().pixels, other.reduced().pixels)
    np.testing.assert_array_equal(whole.reduced().loss, other.reduced().loss)


def test_one_of_the_places_shows_detail_where_all_that_is_lost_is_flat():
    def look_up(codes):  # everything on the left is lost, more the further down
        loss = np.zeros((*codes.shape[:2], 2), np.uint16)
        loss[:, : codes.shape[1] // 2] = 20000
        return loss

    places = collected(striped(), look_up=look_up).places(4)
    assert [False, False, False, True] == [place.is_for_detail for place in places]
    assert (1792, 0) == (places[-1].left_px, places[-1].top_px)
    assert not any(each.is_for_detail for each in collected(picture(), look_up=look_up).places(1))


@pytest.mark.parametrize("shape", [(1024, 2048), (1000, 700), (90, 70)])
def test_places_that_are_asked_for_are_shown_in_their_order(shape):
    pixels = np.zeros((*shape, 3), np.uint16)
    spec = spec_of(pixels, SRGB)
    size = (spec.width_px, spec.height_px)
    asked_for = [(0.5, 0.5), (0.0, 0.0), (1.0, 1.0)]
    nothing = lambda codes: np.broadcast_to(NOTHING, (*codes.shape[:2], 2))  # noqa: E731
    collector = WorstPlaces(SRGB, size, nothing, 3.0, asked_for)
    for band in cut(pixels, collector.rows):
        collector.add(band.top, band.pixels)
    found = collector.places(3)
    for (x, y), place in zip(asked_for, found, strict=True):
        assert place.left_px <= x * size[0] <= place.left_px + place.width_px
        assert place.top_px <= y * size[1] <= place.top_px + place.height_px + 128


@pytest.mark.parametrize("down", [0.3, 0.45, 0.5, 0.62])
def test_a_place_that_is_asked_for_is_in_the_middle_of_its_piece(down):
    """Not in the rows of the strip that happens to hold it, half a piece away."""
    pixels = np.arange(1024, dtype=np.uint16)[:, None, None] * np.ones((1, 2048, 3), np.uint16)
    collector = WorstPlaces(SRGB, (2048, 1024), unmoved, 3.0, [(0.5, down)])
    for band in cut(pixels, collector.rows):
        collector.add(band.top, band.pixels)
    (place,) = collector.places(1)
    assert abs(place.top_px + place.height_px / 2 - down * 1024) <= 1
    assert abs(place.left_px + place.width_px / 2 - 1024) <= 1
    assert place.top_px == place.pixels[0, 0, 0]
    assert place.height_px == len(np.unique(place.pixels))


def test_no_place_lies_in_the_wrap_of_a_canvas():
    """What is lost most lies in it; of the face, the worst is shown."""

    def look_up(codes):
        loss = np.zeros((*codes.shape[:2], 2), np.uint16)
        loss[..., 0] = codes[..., 0]
        return loss

    pixels = np.full((1024, 2048, 3), 60000, np.uint16)
    face = (150, 130, 1748, 764)
    pixels[130:894, 150:1898] = 1000
    pixels[300:500, 900:1100] = 30000
    collector = WorstPlaces(SRGB, (2048, 1024), look_up, 3.0, face_px=face)
    for band in cut(pixels, collector.rows):
        collector.add(band.top, band.pixels)
    found = collector.places(4)
    assert 30000 == found[0].pixels.max()
    for place in found:
        assert 60000 not in place.pixels
        assert place.left_px >= 150
        assert place.left_px + place.width_px <= 1898
        assert place.top_px >= 130
        assert place.top_px + place.height_px <= 894
