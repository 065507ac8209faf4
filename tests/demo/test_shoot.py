"""The demo's shoot: its frames have charts where they were drawn, and the light that was meant."""

import io
import math

import numpy as np
import pytest
from PIL import Image

from hotfolder_demo import shoot
from hotfolder_demo.evening import EXPOSURE, LIGHT, projection
from hotfolder_stages.reference.finder import find_charts
from second_readers import exiv2_tags

LONG_EDGE_PX = 720


@pytest.fixture(scope="module")
def frames(tmp_path_factory):
    folder = tmp_path_factory.mktemp("frames")
    return shoot.write_shoot(folder, LONG_EDGE_PX)


def light_of(path):
    coded = np.asarray(Image.open(io.BytesIO(path.read_bytes())), np.float32) / 255
    light = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    return np.ascontiguousarray(light.transpose(2, 0, 1), np.float32)


def drawn_at(view, width, height):
    """Places of the patches in pixels, of a view's chart."""
    i, j = np.mgrid[0:4, 0:6]
    places = np.stack([j.ravel(), i.ravel(), np.ones(24)], axis=1)
    places = places @ projection(np.array(view.chart)).T
    away = (places[:, :2] / places[:, 2:] - view.middle) * view.nearer
    turn = math.radians(view.turn_deg)
    x = away[:, 0] * math.cos(turn) - away[:, 1] * math.sin(turn)
    y = away[:, 0] * math.sin(turn) + away[:, 1] * math.cos(turn) + 0.5
    return np.stack([x * height + width / 2 - 0.5, y * height - 0.5], axis=1)


@pytest.mark.slow
def test_three_frames_have_a_chart_where_it_was_drawn_and_three_have_none(frames):
    width, height = LONG_EDGE_PX, LONG_EDGE_PX * 2 // 3
    with_chart = 0
    for path, frame in zip(frames, shoot.FRAMES, strict=True):
        charts = find_charts(light_of(path))
        assert (frame.view.chart is not None) == bool(charts), path.name
        for chart in charts:
            off = np.abs(chart.centres - drawn_at(frame.view, width, height)).max()
            assert off < 0.1 * chart.pitch_px
            with_chart += 1
    assert with_chart == 3


def test_the_whites_are_warm_and_too_dark_as_meant(frames):
    chart, *_ = find_charts(light_of(frames[0]))
    x, y = np.rint(chart.centres[18]).astype(int)
    white = light_of(frames[0])[:, y - 2 : y + 3, x - 2 : x + 3].mean(axis=(1, 2))
    meant = 0.89 * LIGHT * EXPOSURE  # the patch; the camera's matrix mixes channels a little
    np.testing.assert_allclose(white, meant, rtol=0.1)
    assert white[0] > 1.6 * white[2]


def test_the_camera_says_which_frame_had_a_stop_less(frames):
    said = [exiv2_tags(path)["Exif.Photo.ExposureTime"] for path in frames]
    assert said[0] == pytest.approx(2 * said[5])
    assert {said[0]} == set(said[:5])
    ratio = light_of(frames[5])[:, -40:, :200].mean() / light_of(frames[1])[:, -40:, :200].mean()
    assert ratio == pytest.approx(0.5, abs=0.1)


@pytest.mark.slow
def test_the_same_frames_come_out_every_time(frames, tmp_path):
    again = shoot.write_shoot(tmp_path, LONG_EDGE_PX)
    assert [path.read_bytes() for path in frames] == [path.read_bytes() for path in again]
