"""Numbers in a file to numbers of a band: exact for integers, for every code there is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotfolder.model.encoding import Encoding
from hotfolder.raster.samples import SampleLayout, to_cielab, to_rows, unassociated, widened


@pytest.mark.parametrize("bits", [1, 2, 4, 8, 10, 12, 14, 16])
def test_widening_is_the_nearest_16_bit_value_of_every_code(bits):
    codes = np.arange(2**bits).astype(np.uint16 if bits > 8 else np.uint8)
    out = widened(codes, bits)
    assert out.dtype == np.uint16
    assert (out == np.rint(np.arange(2**bits) / (2**bits - 1) * 65535)).all()


@given(st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=20))
def test_32_bits_are_rounded_to_the_nearest(values):
    out = widened(np.array(values, np.uint32), 32)
    assert out.tolist() == [(2 * value + 65537) // (2 * 65537) for value in values]


@given(st.integers(0, 65535), st.integers(1, 65535))
def test_dividing_by_alpha_is_rounded_and_never_more_than_full(colour, alpha):
    pixels = np.full((1, 1, 1), colour, np.uint16)
    out = unassociated(pixels, np.full((1, 1), alpha, np.uint16))
    expected = min(65535, (colour * 65535 + alpha // 2) // alpha)
    assert out.item() == expected


def test_associating_and_dividing_again_keeps_an_opaque_colour():
    pixels = np.arange(65536, dtype=np.uint16).reshape(256, 256, 1)
    opaque = np.full((256, 256), 65535, np.uint16)
    assert (unassociated(pixels, opaque) == pixels).all()


def test_every_16_bit_cielab_code_survives_reading_and_writing():
    codes = np.arange(65536, dtype=np.uint16)
    stored = np.stack([codes, codes, codes[::-1]], axis=-1).reshape(256, 256, 3)
    layout = SampleLayout(Encoding.LAB, bits=16, lab="cielab")
    again = to_cielab(to_rows(stored, layout)[0])
    # the last 127 codes of a* and b* lie above 127, the end of the range of ICC.1:2022
    inside = stored[..., 1:].view(np.int16) <= 127 * 256
    assert (again[..., 0] == stored[..., 0]).all()
    assert (again[..., 1:] == stored[..., 1:])[inside].all()


def test_an_array_that_needs_no_change_is_not_copied():
    stored = np.zeros((4, 5, 3), np.uint16)
    pixels, _ = to_rows(stored, SampleLayout(Encoding.RGB, bits=16))
    assert np.shares_memory(pixels, stored)


def test_the_array_given_is_never_changed():
    for dtype in (np.uint16, np.float32):
        stored = np.full((4, 5, 4), 1 if dtype is np.float32 else 500, dtype)
        before = stored.copy()
        layout = SampleLayout(Encoding.RGB, bits=16, alpha=3, associated=True)
        to_rows(stored, layout)
        assert (stored == before).all()


@pytest.mark.parametrize("dtype", [np.float16, np.float32, np.float64])
def test_infinities_are_clipped_to_the_ends(dtype):
    stored = np.array([[[np.inf, -np.inf, np.nan]]], dtype)
    assert to_rows(stored, SampleLayout(Encoding.RGB, bits=32))[0].tolist() == [[[65535, 0, 0]]]
