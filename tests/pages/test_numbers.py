"""Numbers of a proof go through a page and come back, and nothing else is taken for them."""

import base64
import zlib

import numpy as np
import pytest

from hotfolder.pages.numbers import pack_numbers, unpack_numbers


def test_numbers_come_back_in_tenths():
    finished = np.array([[[50.0, 2.26, -79.78], [100.0, 0.0, 0.0]]])
    made = finished - 1
    data = unpack_numbers(pack_numbers(finished, made, [95.53, 0.12, -2.5]))
    found = np.frombuffer(data, "<i2").tolist()
    assert [1, 2, 1, 9553, 12, -250] == found[:6]
    assert [500, 1000, 23, 0, -798, 0] == found[6:12]
    assert [490, 990, 13, -10, -808, -10] == found[12:]


def packed(values):
    data = np.array(values, "<i2").tobytes()
    return base64.b64encode(zlib.compress(data)).decode()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "no base64!",
        base64.b64encode(b"no zlib").decode(),
        packed([1, 2]),
        packed([2, 1, 1, 0, 0, 0, *range(6)]),
        packed([1, 1, 1, 0, 0, 0, *range(5)]),
        packed([1, -1, -1, 0, 0, 0, *range(6)]),
        packed([1, 0, 0, 0, 0, 0]),
        packed(np.zeros(4_000_000)),
    ],
)
def test_anything_else_is_none(text):
    assert unpack_numbers(text) is None
