"""The stage alone, driven as hotfolder does it, against the formula written out pixel by pixel."""

import numpy as np
import pytest
from blur_index import BlurIndex
from numpy.typing import NDArray

from hotfolder import Encoding, Hold, Json, RasterSpec
from hotfolder.testing import make_job, make_spec, make_stage, run_stage

Codes = NDArray[np.uint16]


def texture(rows: int = 40, columns: int = 56) -> Codes:
    return np.random.default_rng(7).integers(0, 65536, (rows, columns, 3)).astype(np.uint16)


def soften(pixels: Codes, times: int) -> Codes:
    """Average each pixel with its four neighbours, several times."""
    soft = pixels.astype(float)
    for _ in range(times):
        wide = np.pad(soft, ((1, 1), (1, 1), (0, 0)), "edge")
        soft = (wide[1:-1, 1:-1] + wide[2:, 1:-1] + wide[:-2, 1:-1] + wide[1:-1, 2:]
                + wide[1:-1, :-2]) / 5  # fmt: skip
    return soft.round().astype(np.uint16)


def measure(pixels: Codes, rows: int = 7, **settings: Json) -> Json:
    done = run_stage(make_stage(BlurIndex, settings), pixels, make_spec(pixels), rows=rows)
    assert (done.pixels == pixels).all()
    return done.findings["blur"]


def reckon(pixels: Codes) -> float:
    """The paper's formulas, with loops."""
    light = pixels.astype(float).sum(axis=2)
    found = []
    for picture in (light, light.T):
        rows, columns = picture.shape
        before = lost = 0.0
        for column in range(columns):
            line = picture[:, column]
            blurred = {i: line[i - 4 : i + 5].sum() / 9 for i in range(4, rows - 4)}
            for i in range(5, rows - 4):
                d_f = abs(line[i] - line[i - 1])
                d_b = abs(blurred[i] - blurred[i - 1])
                before += d_f
                lost += max(0.0, d_f - d_b)
        found.append((before - lost) / before)
    return max(found)


@pytest.mark.parametrize("rows", [1, 7, 9, 40])
@pytest.mark.parametrize("times", [0, 3])
def test_it_is_the_paper_s_index_however_the_picture_is_cut(rows: int, times: int) -> None:
    pixels = soften(texture(), times)
    assert measure(pixels, rows) == pytest.approx(reckon(pixels), abs=5e-5)


def test_the_softer_a_picture_the_higher_the_index() -> None:
    found = [measure(soften(texture(), times)) for times in (0, 1, 4, 16)]
    assert found == sorted(found, key=lambda each: float(str(each)))
    assert len(set(found)) == 4


def test_blur_in_one_direction_is_enough() -> None:
    pixels = texture()
    smeared = pixels.copy()
    smeared[:, 8:] = np.stack([pixels[:, 8 - k : 56 - k] for k in range(9)]).mean(0).round()
    other = np.ascontiguousarray(smeared.transpose(1, 0, 2))
    assert measure(smeared) == measure(other)
    assert float(str(measure(smeared))) > 1.5 * float(str(measure(pixels)))


def test_of_one_colour_or_very_small_nothing_is_said() -> None:
    assert measure(np.full((40, 40, 3), 1000, np.uint16), hold_above=0.0) is None
    assert measure(texture(9, 9), hold_above=0.0) is None


def test_in_lab_lightness_alone_counts() -> None:
    pixels = texture()
    spec = RasterSpec(56, 40, Encoding.LAB)
    grey = np.repeat(pixels[..., :1], 3, axis=2)
    done = run_stage(make_stage(BlurIndex, {}), pixels, spec, make_job(spec))
    assert done.findings["blur"] == measure(grey)


def test_above_its_limit_it_is_held_with_what_was_measured() -> None:
    pixels = soften(texture(), 16)
    with pytest.raises(Hold, match=r"index 0\.\d\d \(allowed: 0\.30\)") as held:
        measure(pixels, hold_above=0.3)
    assert held.value.code == "blurred"
    assert held.value.findings == {"blur": measure(pixels)}


def test_below_that_it_can_warn() -> None:
    pixels = soften(texture(), 16)
    job = make_job(make_spec(pixels))
    run_stage(make_stage(BlurIndex, {"warn_above": 0.3}), pixels, make_spec(pixels), job)
    (warning,) = job.warnings
    assert (warning.code, "at most 0.30" in warning.message) == ("blurred", True)


def test_the_report_has_a_column() -> None:
    (column,) = BlurIndex.hotfolder_facts({"blur": 0.31}, {}).columns
    assert (column.heading, column.value) == ("Blur", 0.31)
