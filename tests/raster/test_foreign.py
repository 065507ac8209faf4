"""Every kind of foreign exception becomes one sentence, with its cause kept."""

from __future__ import annotations

import struct
import zlib

import imagecodecs
import pytest
from tifffile import TiffFileError

from hotfolder.errors import Refuse
from hotfolder.raster.foreign import TABLE, translated

DAMAGED = (
    "The file is damaged: the middle cannot be read. Export or copy it again and drop it once more."
)
UNSUPPORTED = (
    "The middle is stored in a way that cannot be read here. "
    "Save it as a plain TIFF without JPEG compression, or as PNG, and drop it again."
)


LIBRARY_ERRORS = [
    TiffFileError("internal words"),
    imagecodecs.PngError("internal words"),
    imagecodecs.Jpeg8Error("internal words"),
    imagecodecs.DeflateError("libdeflate", 1),
    imagecodecs.ZstdError("ZSTD_decompress", 1),
    imagecodecs.LzwError("lzw_decode", 1),
    zlib.error("internal words"),
    struct.error("internal words"),
]


def raised(error):
    with pytest.raises(Refuse) as caught, translated("the middle"):
        raise error
    assert caught.value.__cause__ is error
    return caught.value.code, caught.value.message


@pytest.mark.parametrize("kind", [kind for kinds, _, _ in TABLE for kind in kinds])
def test_every_row_of_the_table_speaks(kind):
    code, message = raised(kind("internal words"))
    assert (code, message) in {("damaged", DAMAGED), ("unsupported", UNSUPPORTED)}
    assert "internal words" not in message


@pytest.mark.parametrize("error", LIBRARY_ERRORS, ids=lambda error: type(error).__name__)
def test_the_libraries_own_errors_mean_damage(error):
    assert raised(error) == ("damaged", DAMAGED)


def test_what_a_library_cannot_do_is_not_damage():
    assert raised(NotImplementedError()) == ("unsupported", UNSUPPORTED)


@pytest.mark.parametrize("error", [OSError("disk"), MemoryError(), KeyboardInterrupt()])
def test_what_is_not_the_files_fault_passes_through(error):
    with pytest.raises(type(error)), translated("the middle"):
        raise error


def test_a_refusal_passes_through_unchanged():
    with pytest.raises(Refuse, match=r"^as it is$"), translated("the middle"):
        raise Refuse("too-large", "as it is")
