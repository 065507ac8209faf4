"""Rows kept aside come back as they were, from memory and from the file."""

import numpy as np
import pytest

from hotfolder.raster.scratch import ScratchRows

PICTURE = np.random.default_rng(1).integers(0, 65536, (100, 7, 3), dtype=np.uint16)


@pytest.mark.parametrize("band", [1, 7, 30, 100])
@pytest.mark.parametrize("in_memory", [0, 41, 99, 100])
def test_rows_come_back_as_they_were(tmp_path, band, in_memory):
    path = tmp_path / "rows"
    row_bytes = PICTURE[0].nbytes
    with ScratchRows(path, 7, 3, in_memory_bytes=in_memory * row_bytes) as rows:
        for top in range(0, 100, band):
            rows.append(PICTURE[top : top + band])
        assert rows.rows == 100
        assert (path.stat().st_size == 0) == (in_memory == 100)
        for start, stop in ((0, 100), (0, 1), (13, 59), (99, 100)):
            np.testing.assert_array_equal(rows.read(start, stop), PICTURE[start:stop])
        pieces = list(rows.pieces(23))
        np.testing.assert_array_equal(np.concatenate([each for _, each in pieces]), PICTURE)
        assert [top for top, _ in pieces] == [0, 23, 46, 69, 92]
        pieces = list(rows.pieces())
        np.testing.assert_array_equal(np.concatenate([each for _, each in pieces]), PICTURE)
        if in_memory == 100:
            assert [top for top, _ in pieces] == list(range(0, 100, band))
    assert not path.exists()


def test_rows_in_memory_are_not_copied(tmp_path):
    with ScratchRows(tmp_path / "rows", 7, 3, in_memory_bytes=PICTURE.nbytes) as rows:
        rows.append(PICTURE[:40])
        rows.append(PICTURE[40:])
        assert all(np.shares_memory(each, PICTURE) for _, each in rows.pieces(20))
        assert all(np.shares_memory(each, PICTURE) for _, each in rows.pieces())
