"""A chart in a dropped picture stands in its record."""

import numpy as np
import pytest
import tifffile

from stages import chart_scenes as scenes
from whole.conftest import records, write_destination

pytestmark = pytest.mark.whole


def test_charts_are_in_the_record_at_their_place_in_the_upright_original(small, hotfolder):
    write_destination(small, **{'"preflight"': '"reference", "preflight"'})
    made = scenes.scene(3, "tilted", 768)
    lying = np.rot90(made.codes).copy()
    path = small.path / "in" / "fine-art-canvas" / "boat.tif"
    path.parent.mkdir(parents=True, exist_ok=True)
    icc = (small.profiles / "srgb.icc").read_bytes()
    # TIFF 6.0, Orientation 6: row 0 is the right side, column 0 the top
    tifffile.imwrite(
        path,
        lying,
        photometric="rgb",
        iccprofile=icc,
        metadata=None,
        resolution=(300, 300),
        resolutionunit="INCH",
        extratags=[(274, "H", 1, 6, True)],
    )
    done = hotfolder("sweep", small.path)
    assert 0 == done.returncode, done.stdout + done.stderr
    (record,) = records(small)
    (chart,) = record["findings"]["reference"]["charts"]
    off = np.abs(np.array(chart["centres_px"]) - made.centres).max()
    assert off < 0.05 * made.pitch_px
    assert chart["residual"]["leave_one_out"] < 3
