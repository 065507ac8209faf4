"""The stage alone, driven as hotfolder does it."""

from collections.abc import Iterable

import numpy as np
import pytest
from edge_label import EdgeLabel

from hotfolder import EditionNumber, Encoding, Json, Message, RasterSpec, Refuse
from hotfolder.testing import Done, make_job, make_stage, run_stage


def run(
    encoding: Encoding, *, has_alpha: bool = False, told: Iterable[Message] = (), **settings: Json
) -> Done:
    """Return what comes out of a grey picture of 400 x 20 pixels, in bands of 7 rows."""
    spec = RasterSpec(400, 20, encoding, ppi=100, has_alpha=has_alpha)
    pixels = np.full((20, 400, spec.channels), 1000, np.uint16)
    alpha = np.zeros((20, 400), np.uint16) if has_alpha else None
    job = make_job(spec, destination="canvas", told=told)
    return run_stage(make_stage(EdgeLabel, settings), pixels, spec, job, alpha=alpha)


@pytest.mark.parametrize("encoding", list(Encoding))
def test_the_picture_stays_and_a_strip_of_the_asked_height_follows(encoding: Encoding) -> None:
    done = run(encoding, height="10 mm", text="version 3")
    # 10 mm at 100 ppi: round(10 / 25.4 * 100) = 39
    assert (59, 400, encoding.channels) == done.pixels.shape
    assert (done.pixels[:20] == 1000).all()
    label = "mud.tif   canvas   version 3"
    assert {"label": label, "rows_added_px": 39, "height_mm": 9.9} == done.findings
    words, height = EdgeLabel.hotfolder_facts(done.findings, {}).columns
    assert ("Label", label) == (words.heading, words.value)
    assert ("Label height, mm", 9.9) == (height.heading, height.value)


def test_the_text_is_black_ink_alone_on_bare_paper_in_cmyk() -> None:
    strip = run(Encoding.CMYK, height="10 mm").pixels[20:]
    assert strip[..., :3].max() == 0
    assert (0, 65535) == (strip[..., 3].min(), strip[..., 3].max())


def test_the_strip_is_opaque() -> None:
    alpha = run(Encoding.RGB, has_alpha=True).alpha
    assert alpha is not None
    assert (alpha[20:] == 65535).all()


def test_a_print_of_an_edition_says_its_number() -> None:
    done = run(Encoding.RGB, told=[EditionNumber(3, 25)])
    assert done.findings["label"] == "mud.tif   canvas   3/25"


def test_without_a_ppi_it_refuses() -> None:
    spec = RasterSpec(4, 4, Encoding.RGB)
    with pytest.raises(Refuse, match="after sizing"):
        make_stage(EdgeLabel, {}).open(spec, make_job(spec))
