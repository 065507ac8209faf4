"""What is kept from job to job changes no code: with and without it, in any order of pictures."""

from hashlib import sha256

import numpy as np
import pytest

from hotfolder.colour import kept_points
from hotfolder.colour.difference import DifferenceStatistics
from hotfolder.colour.gamut_boundary import boundary_of
from hotfolder.colour.kept_points import keep_in, save_new
from hotfolder.colour.loss import Route, losses, round_trip_noise
from hotfolder.colour.loss_table import _lookup_of, make_loss_lookup
from hotfolder.colour.measurement_model import _read_model
from hotfolder.colour.medium import _scattered, largest_ink_sum
from hotfolder.colour.rendering import find_reach
from hotfolder.colour.transform import Transform, _grid_of
from hotfolder.disk.kept_arrays import ArrayFolder
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent
from hotfolder.model.rendering import Rendering
from reference.devices import GREY, SRGB, WIDE_RGB, demo_printer, libvips

pytestmark = pytest.mark.slow

BOOK = demo_printer("coated-book", "2.4")
CANVAS = demo_printer("matte-canvas", "4.4")
CMYK = libvips("cmyk")

WAYS = {
    "relative": {},
    "perceptual": {"intent": Intent.PERCEPTUAL},
    "absolute": {"intent": Intent.ABSOLUTE_COLORIMETRIC},
    "no compensation": {"black_point_compensation": False},
    "refined": {"rendering": Rendering.REFINED},
    "detail": {"rendering": Rendering.DETAIL},
    "depth": {"depth": True},
    "refined depth": {"rendering": Rendering.REFINED, "depth": True},
    "detail depth": {"rendering": Rendering.DETAIL, "depth": True},
}


@pytest.fixture(autouse=True)
def nothing_kept_in_memory():
    forget()
    yield
    keep_in(None)
    forget()


def forget():
    """Forget what this process has computed, as a worker that has just been started."""
    for each in (
        _grid_of, _lookup_of, boundary_of, _read_model, _scattered, largest_ink_sum,
        round_trip_noise,
    ):  # fmt: skip
        each.cache_clear()


def picture(seed, encoding=Encoding.RGB, shape=(24, 30)):
    """Some strong and some quiet colours, smooth and with grain, and neutrals."""
    random = np.random.default_rng(seed)
    corners = random.random((2, 2, encoding.channels)) ** random.uniform(0.4, 2.5)
    u, v = np.linspace(0, 1, shape[0])[:, None, None], np.linspace(0, 1, shape[1])[None, :, None]
    smooth = (corners[0, 0] * (1 - u) + corners[1, 0] * u) * (1 - v) + corners[1, 1] * u * v
    noisy = np.clip(smooth + random.normal(0, 0.02, smooth.shape), 0, 1)
    noisy[:2] = noisy[:2, :, :1]
    return np.rint(noisy * 65535).astype(np.uint16)


def worked_on(pixels, source, destination, way):
    """All that a job computes of a picture, and how sure it is of it."""
    intent, depth = way.get("intent", Intent.RELATIVE_COLORIMETRIC), way.get("depth", False)
    rendering = way.get("rendering", Rendering.INTENT)
    compensates = way.get("black_point_compensation", True)
    route = Route(source, destination, intent, compensates, rendering, depth)
    reach = None
    if rendering is Rendering.DETAIL:
        reach = find_reach(source, destination, pixels, depth=depth)
    conversion = Transform(source, destination, **way, reach=reach)
    look_up = make_loss_lookup(route)
    half = len(pixels) // 2
    made = [conversion.apply(part) for part in (pixels[:half], pixels[half:])]
    loss = [look_up(part) for part in (pixels[:half], pixels[half:])]
    said = sha256(b"".join(each.tobytes() for each in (*made, *loss))).hexdigest()
    return said, conversion.bound, round_trip_noise(destination)


def as_jobs(folder, order, pictures, source, destination, way):
    found = {}
    for number in order:
        forget()
        keep_in(folder)
        found[number] = worked_on(pictures[number], source, destination, way)
        assert "" == save_new()
    return found


@pytest.mark.slow(cases=1)
@pytest.mark.parametrize("seed", range(len(WAYS)))
def test_codes_are_the_same_cold_and_warm_and_in_any_order(seed, tmp_path):
    """All ways; by the seed, the pictures, their order and the medium."""
    way = list(WAYS.values())[seed]
    pictures = [picture(100 * seed + number) for number in range(3)]
    given_way = (pictures, SRGB, (BOOK, CANVAS)[seed % 2], way)
    order = np.random.default_rng(seed).permutation(3).tolist()
    expected = as_jobs(None, [0, 1, 2], *given_way)
    folder = ArrayFolder(tmp_path / "points", 10**8)
    assert expected == as_jobs(folder, order, *given_way), "as they become warm"
    assert any(folder.folder.iterdir())
    assert expected == as_jobs(folder, order[::-1], *given_way), "warm"


@pytest.mark.parametrize(
    ("source", "destination"),
    [(CMYK, BOOK), (WIDE_RGB, CMYK), (GREY, BOOK), (SRGB, WIDE_RGB)],
    ids=lambda profile: profile.space,
)
def test_codes_are_the_same_for_other_kinds_of_colour(source, destination, tmp_path):
    pictures = [picture(number, source.encoding, (12, 16)) for number in range(2)]
    given_way = (pictures, source, destination, {})
    expected = as_jobs(None, [0, 1], *given_way)
    folder = ArrayFolder(tmp_path / "points", 10**8)
    assert expected == as_jobs(folder, [0, 1], *given_way)
    assert expected == as_jobs(folder, [1, 0], *given_way)


def test_what_is_warm_is_not_computed_again(tmp_path, monkeypatch):
    """Red when a block, a boundary or a model is not kept: nothing may be computed."""
    folder = ArrayFolder(tmp_path / "points", 10**8)
    detail = WAYS["refined"]
    as_jobs(folder, [0], [picture(7)], SRGB, BOOK, detail)

    def never(*_, **__):
        raise AssertionError("computed again")

    for place in (
        "hotfolder.colour.patchwork.Patchwork.list_points",
        "hotfolder.colour.grid.Grid._compute_errors",
        "hotfolder.colour.grid.convert_neutrals",
        "hotfolder.colour.transform.convert_neutrals",
        "hotfolder.colour.measurement_model._compute_model",
        "hotfolder.colour.loss._measure_noise",
    ):
        monkeypatch.setattr(place, never)
    as_jobs(folder, [0], [picture(7)], SRGB, BOOK, detail)


def test_a_damaged_file_changes_nothing(tmp_path):
    folder = ArrayFolder(tmp_path / "points", 10**8)
    given_way = ([picture(3)], SRGB, BOOK, WAYS["detail"])
    expected = as_jobs(folder, [0], *given_way)
    for path in folder.folder.iterdir():
        data = bytearray(path.read_bytes())
        data[len(data) // 2] ^= 0xFF
        path.write_bytes(data)
    assert expected == as_jobs(folder, [0], *given_way)
    assert expected == as_jobs(folder, [0], *given_way)


def test_what_cannot_be_kept_is_said_and_fails_nothing(tmp_path):
    given_way = ([picture(4)], SRGB, BOOK, {})
    expected = as_jobs(None, [0], *given_way)
    (tmp_path / "points").write_text("in the way")
    forget()
    keep_in(ArrayFolder(tmp_path / "points", 10**8))
    assert expected[0] == worked_on(given_way[0][0], *given_way[1:])
    assert "points" in save_new()


def test_two_workers_that_keep_at_once_lose_nothing_that_was_kept_before(tmp_path):
    folder = ArrayFolder(tmp_path / "points", 10**8)
    keep_in(folder)
    one = kept_points.KeptBlocks("a test", {}, 100, {"value": ("<u2", (2,))})
    other = kept_points.KeptBlocks("a test", {}, 100, {"value": ("<u2", (2,))})
    one.note("value", np.array([3, 1]), np.array([[30, 31], [10, 11]]))
    other.note("value", np.array([5, 3]), np.array([[50, 51], [30, 31]]))
    one.save()
    other.save()
    found = kept_points.KeptBlocks("a test", {}, 100, {"value": ("<u2", (2,))})
    assert [False, True, False, True, False, True] == found.knows("value", np.arange(6)).tolist()
    assert [[10, 11], [30, 31], [50, 51]] == found.take("value", np.array([1, 3, 5])).tolist()


def test_of_a_file_that_grows_too_large_what_is_newest_stays(tmp_path):
    rows = {"value": ("<u2", (500,))}
    folder = ArrayFolder(tmp_path / "points", 4 * 10 * 1004)
    keep_in(folder)
    for first in (0, 8, 16):
        blocks = kept_points.KeptBlocks("a test", {}, 100, rows)
        blocks.note("value", np.arange(first, first + 8), np.full((8, 500), first))
        blocks.save()
    found = kept_points.KeptBlocks("a test", {}, 100, rows)
    assert found.knows("value", np.arange(16, 24)).all()
    assert 10 == np.count_nonzero(found.knows("value", np.arange(100)))


def test_other_code_believes_nothing_that_this_has_kept(tmp_path, monkeypatch):
    folder = ArrayFolder(tmp_path / "points", 10**8)
    keep_in(folder)
    assert 1.0 == kept_points.number_for("a test", {"profile": BOOK}, lambda: 1.0)
    assert 1.0 == kept_points.number_for("a test", {"profile": BOOK}, lambda: 2.0)
    assert 3.0 == kept_points.number_for("a test", {"profile": CANVAS}, lambda: 3.0)
    monkeypatch.setattr(kept_points, "made_by", lambda: "other code")
    assert 4.0 == kept_points.number_for("a test", {"profile": BOOK}, lambda: 4.0)


def test_losses_are_those_of_every_pixel_at_the_points(tmp_path):
    """The oracle: a warm table at a block's own points is the exact loss there."""
    keep_in(ArrayFolder(tmp_path / "points", 10**8))
    corner = np.array([[[0, 0, 0], [65535, 65535, 65535]]], np.uint16)
    route = Route(SRGB, BOOK)
    for _ in range(2):
        forget()
        found = make_loss_lookup(route)(corner)
        exact = DifferenceStatistics.encode(np.stack(losses(route, corner), axis=-1))
        np.testing.assert_array_equal(exact, found)
        save_new()
