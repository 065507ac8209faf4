"""LittleCMS's own reader of CGATS, from the wheel of imagecodecs, as a second opinion on files.

It is a reader of values and no judge of files: a short row moves all later values, and it says
nothing. So it is asked about files that are whole, in each convention that both read.
"""

import ctypes
import os
from contextlib import contextmanager
from importlib.metadata import files as installed
from pathlib import Path

import numpy as np
import pytest

from hotfolder.measured.cgats import read_cgats
from hotfolder.measured.text import decode_text
from measuring import files


@pytest.fixture(scope="module")
def lcms():
    """The library; skipped where the wheel was built without a copy of its own."""
    found = [each for each in installed("imagecodecs") or [] if "liblcms2" in each.name]
    if not found:
        pytest.skip("this imagecodecs has no LittleCMS of its own")
    library = ctypes.CDLL(str(found[0].locate()))
    library.cmsIT8LoadFromMem.restype = ctypes.c_void_p
    library.cmsIT8LoadFromMem.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_uint32]
    library.cmsIT8GetPropertyDbl.restype = ctypes.c_double
    library.cmsIT8GetPropertyDbl.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    library.cmsIT8EnumDataFormat.argtypes = [ctypes.c_void_p, ctypes.c_void_p]
    library.cmsIT8GetDataRowCol.restype = ctypes.c_char_p
    library.cmsIT8GetDataRowCol.argtypes = [ctypes.c_void_p, ctypes.c_int, ctypes.c_int]
    library.cmsIT8Free.argtypes = [ctypes.c_void_p]
    return library


@contextmanager
def _opened(lcms, data):
    handle = lcms.cmsIT8LoadFromMem(None, data, len(data))
    assert handle
    try:
        yield handle
    finally:
        lcms.cmsIT8Free(handle)


def read_by_lcms(lcms, data):
    """Names of columns and rows of texts."""
    with _opened(lcms, data) as handle:
        names = ctypes.POINTER(ctypes.c_char_p)()
        count = lcms.cmsIT8EnumDataFormat(handle, ctypes.byref(names))
        rows = int(lcms.cmsIT8GetPropertyDbl(handle, b"NUMBER_OF_SETS"))
        return (
            tuple(names[at].decode() for at in range(count)),
            [
                [lcms.cmsIT8GetDataRowCol(handle, row, at).decode() for at in range(count)]
                for row in range(rows)
            ],
        )


def _compare(lcms, data):
    """Both readers, value by value: numbers as numbers, words as words."""
    (table,) = read_cgats(decode_text(data))
    names, rows = read_by_lcms(lcms, data)
    assert table.fields == names
    assert len(table.rows) == len(rows)
    for ours, theirs in zip(table.rows, rows, strict=True):
        for one, two in zip(ours.values, theirs, strict=True):
            try:
                assert float(one) == pytest.approx(float(two), rel=1e-9)
            except ValueError:
                assert one == two
    return len(rows) * len(names)


CONVENTIONS = {
    "names": {"fields": ("name", "rgb", "lab")},
    "ids": {"fields": ("id", "name", "lab")},
    "percent": {"fields": ("name", "rgb", "lab"), "scale": 100},
    "both": {"fields": ("id", "name", "rgb", "xyz", "lab")},
    "more of the head": {
        "fields": ("name", "lab"),
        "head": ['MEASUREMENT_CONDITION "M1"', 'DESCRIPTOR "a strip, 2 # of 3"', "# a remark"],
    },
}


@pytest.mark.parametrize("how", CONVENTIONS.values(), ids=CONVENTIONS)
def test_values_are_those_that_littlecms_reads(lcms, strip, printed, how):
    text = files.cgats(strip, printed, **how)
    head = 'KEYWORD "MEASUREMENT_CONDITION"\n'
    text = text.replace("MEASUREMENT_CONDITION", f"{head}MEASUREMENT_CONDITION", 1)
    assert _compare(lcms, text.encode()) >= 4 * len(strip.patches)


def test_values_of_spectra_are_those_that_littlecms_reads(lcms):
    rng = np.random.default_rng(3)
    waves = range(380, 731, 10)
    names = ["SAMPLE_ID", *(f"SPECTRAL_NM{each}" for each in waves)]
    rows = [[str(at), *(f"{each:.6E}" for each in rng.uniform(1e-6, 1, 36))] for at in range(1, 25)]
    lines = ["CGATS.17", *(f'KEYWORD "{each}"' for each in names[1:])]
    lines += [f"NUMBER_OF_FIELDS {len(names)}", "BEGIN_DATA_FORMAT", "\t".join(names)]
    lines += ["END_DATA_FORMAT", f"NUMBER_OF_SETS {len(rows)}", "BEGIN_DATA"]
    text = "\r\n".join([*lines, *("\t".join(row) for row in rows), "END_DATA", ""])
    assert 24 * 37 == _compare(lcms, text.encode())


PUBLIC = [
    *Path("/usr/share/colord/ti1").glob("*.ti1"),
    *Path("/usr/libexec/installed-tests/colord").glob("*.ti3"),
    *Path(os.environ.get("CGATS_FILES", "/nowhere")).rglob("*.ti[13]"),
]
"""Files of Debian's colord-data and colord-tests (GPL-2+), which none of us has written.

They are no part of the project: where the packages are not installed, the environment variable
CGATS_FILES names a folder with their files.
"""


def test_public_files_have_the_values_that_littlecms_reads(lcms):
    if not PUBLIC:
        pytest.skip("needs public files (Debian: apt-get install colord-data colord-tests)")
    compared = 0
    for path in PUBLIC:
        data = path.read_bytes()
        table = read_cgats(decode_text(data))[0]  # further tables are not those of patches
        names, rows = read_by_lcms(lcms, data)
        assert (table.fields, len(table.rows)) == (names, len(rows)), path.name
        for ours, theirs in zip(table.rows, rows, strict=True):
            pairs = zip(map(float, ours.values), map(float, theirs), strict=True)
            assert all(one == pytest.approx(two, rel=1e-9) for one, two in pairs), path.name
            compared += len(theirs)
    assert compared >= 15 * 7
