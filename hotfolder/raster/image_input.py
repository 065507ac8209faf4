"""OpenImageIO, as the readers of JPEG XL and OpenEXR use it: one codec, no guessing, few threads.

It takes a path and chooses its codec by the suffix, which an original in the spool has not; so it
gets a link of our own beside the attempt's other files.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import numpy as np

from hotfolder.raster.foreign import translated
from hotfolder.raster.original_file import OriginalFile
from hotfolder.raster.picture import Stored

if TYPE_CHECKING:
    import OpenImageIO as oiio  # noqa: N813 - the name its own documentation uses

_Got = TypeVar("_Got")
_THREADS = 2


class _Teller(Protocol):
    """What says why it has given nothing: an input, or the library itself."""

    def geterror(self) -> str: ...


class ImageInput:
    """One file opened by one codec of OpenImageIO.

    Parameters
    ----------
    file
        The original.
    suffix
        Of the codec's format, as ``".exr"``.
    scratch
        A folder for the link.
    what
        The picture, as ``"the OpenEXR picture"``.
    instead
        What the codec is given in place of the file's own bytes; None: the file.

    Raises
    ------
    Refuse
        ``damaged`` when it cannot be opened.
    """

    def __init__(
        self,
        file: OriginalFile,
        suffix: str,
        scratch: Path,
        what: str,
        instead: bytes | None = None,
    ) -> None:
        import OpenImageIO as oiio  # noqa: N813 - the name its own documentation uses

        oiio.attribute("try_all_readers", 0)
        oiio.attribute("threads", _THREADS)
        oiio.attribute("exr_threads", -1)
        # what is too large is refused by our own arithmetic, in words
        oiio.attribute("limits:imagesize_MB", 2**30)
        self._oiio = oiio
        self._what = what
        self._undo = contextlib.ExitStack()
        folder = self._undo.enter_context(tempfile.TemporaryDirectory(dir=scratch))
        link = Path(folder) / f"original{suffix}"
        original = Path(file.handle.name).absolute()
        if instead is not None:
            link.write_bytes(instead)
        else:
            try:
                link.symlink_to(original)
            except OSError:  # a system, or a disk, without links
                shutil.copyfile(original, link)
        config = oiio.ImageSpec()
        config["oiio:UnassociatedAlpha"] = 1
        try:
            with translated(self._what):
                self._input = self._checked(oiio.ImageInput.open(str(link), config), oiio)
        except BaseException:
            self._undo.close()
            raise
        self._undo.callback(self._input.close)

    @property
    def spec(self) -> oiio.ImageSpec:
        """What it says of the picture: an ``ImageSpec``."""
        return self._input.spec()

    def attribute(self, name: str) -> Any:
        """A value that stands in the file; None when there is none."""
        return self.spec.getattribute(name)

    def choose(self, index: int) -> None:
        """Go to a part of the file, from 0."""
        with translated(self._what):
            self._checked(self._input.seek_subimage(index, 0) or None, self._input)

    def rows(self, start: int, stop: int, *, floats: bool) -> Stored:
        """Rows ``start`` … ``stop - 1`` of all channels: shape (rows, width, channels).

        floats: as float32; else in the file's own type.
        """
        with translated(self._what):
            spec = self.spec
            form = self._oiio.TypeFloat if floats else spec.format
            got = self._read(spec, spec.y + start, spec.y + stop, form)
            whole = np.asarray(self._checked(got, self._input))
            pixels: Stored = whole.reshape(stop - start, spec.width, spec.nchannels)
            return pixels

    @staticmethod
    def _checked(got: _Got | None, teller: _Teller) -> _Got:
        """What the library gave; where it gave nothing, what it says of that is raised."""
        if got is None:
            raise RuntimeError(teller.geterror())
        return got

    def _read(
        self, spec: oiio.ImageSpec, first: int, last: int, form: oiio.TypeDesc
    ) -> Stored | None:
        if not spec.tile_width:
            return self._input.read_scanlines(first, last, 0, 0, spec.nchannels, form)
        # whole tiles only; what is above and below is cut away again
        height, top, right = spec.tile_height, spec.y, spec.x + spec.width
        above = top + (first - top) // height * height
        below = min(top + spec.height, top + -((top - last) // height) * height)
        got = self._input.read_tiles(spec.x, right, above, below, 0, 1, 0, spec.nchannels, form)
        return None if got is None else got[first - above : last - above]

    def close(self) -> None:
        """Close the file and remove the link."""
        self._undo.close()
