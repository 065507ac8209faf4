"""Run with pytest in an environment where hotfolder and this package are installed."""

from types import SimpleNamespace

import numpy as np
import pytest
from edge_label import EdgeLabel, EdgeLabelSettings

from hotfolder import Band, Encoding, RasterSpec, Refuse

JOB = SimpleNamespace(original=SimpleNamespace(name="mud.tif"), destination="canvas")


def run(encoding, has_alpha=False, **settings):
    spec = RasterSpec(400, 20, encoding, ppi=100, has_alpha=has_alpha)
    stage = EdgeLabel(EdgeLabelSettings.model_validate(settings))
    out = stage.open(spec, JOB)
    alpha = np.zeros((20, 400), np.uint16) if has_alpha else None
    picture = Band(0, np.full((20, 400, spec.channels), 1000, np.uint16), alpha)
    return out, list(stage.bands([picture])), stage.close()


@pytest.mark.parametrize("encoding", list(Encoding))
def test_the_picture_stays_and_a_strip_of_the_asked_height_follows(encoding):
    out, bands, found = run(encoding, height="10 mm", text="version 3")
    # 10 mm at 100 ppi: round(10 / 25.4 * 100) = 39
    assert 59 == out.height_px
    assert [(0, 20), (20, 39)] == [(band.top, band.rows) for band in bands]
    assert (bands[0].pixels == 1000).all()
    assert (np.uint16, encoding.channels) == (bands[1].pixels.dtype, bands[1].pixels.shape[2])
    assert {"label": "mud.tif   canvas   version 3", "rows_added_px": 39} == found


def test_the_text_is_black_ink_alone_on_bare_paper_in_cmyk():
    _, bands, _ = run(Encoding.CMYK, height="10 mm")
    assert bands[1].pixels[..., :3].max() == 0
    assert (0, 65535) == (bands[1].pixels[..., 3].min(), bands[1].pixels[..., 3].max())


def test_the_strip_is_opaque():
    _, bands, _ = run(Encoding.RGB, has_alpha=True)
    assert (bands[1].alpha == 65535).all()


def test_without_a_ppi_it_refuses():
    stage = EdgeLabel(EdgeLabelSettings())
    with pytest.raises(Refuse, match="after sizing"):
        stage.open(RasterSpec(4, 4, Encoding.RGB), JOB)
