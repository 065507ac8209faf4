"""8 bits from 16: means kept, exact values exact, nothing depends on the band."""

from __future__ import annotations

import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotfolder.raster.dither import Dither


def flat(value: int, side: int = 128, channels: int = 1) -> np.ndarray:
    return np.full((side, side, channels), value, np.uint16)


@pytest.mark.parametrize("level", range(256))
def test_a_value_that_8_bits_can_hold_comes_out_exactly(level):
    out = Dither(128, 3).apply(flat(level * 257, channels=3), top=0)
    assert out.dtype == np.uint8
    assert (out == level).all()


@pytest.mark.parametrize("value", [1, 100, 128, 12_345, 48_192, 65_534])
def test_the_mean_of_a_flat_area_is_kept(value):
    out = Dither(128, 1).apply(flat(value), top=0)
    assert out.mean() * 257 == pytest.approx(value, abs=1.0)


def test_the_mean_of_a_shallow_ramp_is_kept_everywhere():
    # half a level of 8 bits over 512 columns: without dither, two flat stripes
    ramp = np.linspace(30_000, 30_128, 512).astype(np.uint16)
    out = Dither(512, 1).apply(np.tile(ramp[None, :, None], (128, 1, 1)), top=0)
    local = out[..., 0].reshape(128, 32, 16).mean(axis=(0, 2)) * 257
    expected = ramp.reshape(32, 16).mean(axis=1)
    assert np.abs(local - expected).max() < 6


@given(st.integers(0, 65535), st.integers(0, 10_000))
def test_a_value_moves_by_less_than_one_level(value, top):
    out = Dither(40, 1).apply(np.full((3, 40, 1), value, np.uint16), top)
    assert np.abs(out * 257.0 - value).max() < 257


def test_each_result_is_the_floor_that_the_formula_says():
    # the multiplication and shift against the plain division, for every 16-bit value
    values = np.arange(65536, dtype=np.uint16).reshape(256, 256, 1)
    dither = Dither(256, 1)
    thresholds = dither._thresholds[np.arange(256) % 64].astype(np.int64)
    assert (dither.apply(values, 0) == (values.astype(np.int64) + thresholds) // 257).all()


def test_the_result_does_not_depend_on_the_band_height():
    pixels = np.random.Generator(np.random.PCG64(1)).integers(0, 65536, (300, 70, 3), np.uint16)
    dither = Dither(70, 3)
    whole = dither.apply(pixels, 0)
    for rows in (1, 7, 128, 299):
        parts = [dither.apply(pixels[top : top + rows], top) for top in range(0, 300, rows)]
        assert (np.concatenate(parts) == whole).all()


def test_the_channels_move_independently():
    out = Dither(128, 3).apply(flat(100 * 257 + 128, channels=3), top=0).reshape(-1, 3)
    correlation = np.corrcoef(out.T.astype(float)) - np.eye(3)
    assert np.abs(correlation).max() < 0.05


def test_the_noise_has_no_low_frequencies():
    """White noise has 1 at every frequency; what the eye sees of blue noise is near 0."""
    out = Dither(128, 1).apply(flat(100 * 257 + 128), top=0)[..., 0].astype(float)
    power = np.abs(np.fft.fft2(out - out.mean())) ** 2
    frequency = np.hypot(*np.meshgrid(np.fft.fftfreq(128), np.fft.fftfreq(128)))
    low = power[(frequency > 0) & (frequency < 0.1)].mean() / power.mean()
    assert low < 0.1


def test_every_machine_makes_the_same_tile():
    """Regression: the tile's own checksum, as first made on x86-64 with numpy 2.4."""
    assert zlib.crc32(Dither(128, 1)._thresholds.astype("<u2").tobytes()) == 118939280
