"""Sizing: borders and wraps around a picture that streams by."""

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotfolder import Hold
from hotfolder.colour.profile import Profile
from hotfolder.testing import cut, make_stage, run_stage
from hotfolder_stages.sizing import Sizing
from hotfolder_stages.sizing.surround import Margins, wrapped
from stages.driving import GREY, SRGB, WIDE_RGB, spec_of

RNG = np.random.default_rng(3)


def noise(height, width, channels=3):
    return RNG.integers(0, 65536, (height, width, channels), np.uint16)


def sized(pixels, profile=SRGB, rows=7, alpha=None, **values):
    spec = spec_of(pixels, profile, has_alpha=alpha is not None)
    return run_stage(make_stage(Sizing, values), pixels, spec, None, rows, alpha)


def test_a_mirrored_wrap_is_symmetric_about_the_fold_row_by_row():
    pixels, w = noise(30, 40), 12
    out, *_ = sized(pixels, long_edge="40 px", wrap="12 px")
    assert (30 + 2 * w, 40 + 2 * w, 3) == out.shape
    np.testing.assert_array_equal(pixels, out[w:-w, w:-w])
    for i in range(w):
        np.testing.assert_array_equal(out[:, w - 1 - i], out[:, w + i])
        np.testing.assert_array_equal(out[:, -w + i], out[:, -w - 1 - i])
        np.testing.assert_array_equal(out[w - 1 - i], out[w + i])
        np.testing.assert_array_equal(out[-w + i], out[-w - 1 - i])


@pytest.mark.parametrize(("edges", "mode"), [("mirrored", "symmetric"), ("stretched", "edge")])
@given(
    st.integers(1, 40),
    st.integers(1, 40),
    st.integers(1, 45),
    st.integers(1, 40),
    st.booleans(),
)
@settings(max_examples=60)
def test_any_wrap_is_what_numpy_pads_with(edges, mode, height, width, rows, wrap, with_alpha):
    """Second opinion: numpy.pad of the whole picture, its modes "symmetric" and "edge"."""
    wrap = min(wrap, height, width) if edges == "mirrored" else wrap
    pixels = noise(height, width)
    alpha = noise(height, width, 1)[..., 0] if with_alpha else None
    size = {"width": f"{width} px", "height": f"{height} px"}
    out, _, _, out_alpha = sized(
        pixels, None, rows, alpha, **size, wrap=f"{wrap} px", wrap_edges=edges
    )
    around = [(wrap, wrap), (wrap, wrap)]
    np.testing.assert_array_equal(np.pad(pixels, [*around, (0, 0)], mode=mode), out)
    if with_alpha:
        np.testing.assert_array_equal(np.pad(alpha, around, mode=mode), out_alpha)


def test_a_wrap_keeps_no_more_rows_than_it_needs():
    """4000 rows of 500 pixels are 12 MB; two wraps of 20 rows and some bands are 0.2 MB."""
    pixels = np.zeros((4000, 500, 3), np.uint16)
    tracemalloc.start()
    for _ in wrapped(cut(pixels, 10), 4000, Margins(20, 20, 20, 20), "mirrored"):
        pass
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 500_000


def test_a_plain_wrap_has_its_colour_and_leaves_the_front_whole():
    """sRGB #804020 in sRGB is its own numbers, 257 for each of 8 bits."""
    pixels = noise(20, 30)
    out, _, findings, _ = sized(
        pixels, long_edge="30 px", wrap="5 px", wrap_edges="plain", wrap_colour="#804020"
    )
    np.testing.assert_array_equal(pixels, out[5:-5, 5:-5])
    outside = np.concatenate([out[:5].reshape(-1, 3), out[5:-5, :5].reshape(-1, 3)])
    np.testing.assert_allclose(outside, [[0x80 * 257, 0x40 * 257, 0x20 * 257]] * 300, atol=60)
    assert {"left": 5, "top": 5, "width": 30, "height": 20} == findings["trim_px"]
    assert "plain" == findings["wrap_edges"]


# sRGB (194, 150, 130) and mid grey in the wider space, from the two standards' formulas.
@pytest.mark.parametrize(
    ("profile", "colour", "codes"),
    [
        (WIDE_RGB, "#c29682", (181.37, 148.61, 129.83)),
        (WIDE_RGB, "#808080", (126.99, 126.99, 126.99)),
        (GREY, "#ffffff", (255,)),
        (SRGB, "white", (255, 255, 255)),
    ],
)
def test_a_border_has_its_colour_in_the_pictures_own_numbers(profile, colour, codes):
    pixels = noise(10, 20, profile.encoding.channels)
    out, *_ = sized(
        pixels, profile, width="20 px", height="16 px", mode="exact", border_colour=colour
    )
    np.testing.assert_allclose(out[0, 0] / 257, codes, atol=0.2)
    np.testing.assert_array_equal(pixels, out[3:13])


def test_white_on_a_press_is_no_ink(profiles):
    pixels = noise(10, 20, 4)
    book = Profile.load(profiles / "coated-book.icc")
    out, *_ = sized(pixels, book, width="20 px", height="16 px", mode="exact")
    assert 0 == out[:3].max()


def test_a_colour_for_a_picture_without_profile_is_held():
    with pytest.raises(Hold) as hold:
        sized(noise(4, 8), None, width="8 px", height="8 px", mode="exact", border_colour="#102030")
    assert "no-profile" == hold.value.code


def test_a_wrap_goes_around_border_and_crop_alike():
    pixels = noise(20, 40)
    out, *_ = sized(pixels, width="40 px", height="30 px", mode="exact", wrap="4 px")
    assert (38, 48, 3) == out.shape
    assert 65535 == out[:9].min()
    cropped, *_ = sized(
        pixels, width="20 px", height="20 px", mode="cover", anchor="left", wrap="3 px"
    )
    np.testing.assert_array_equal(pixels[:, :20], cropped[3:-3, 3:-3])
