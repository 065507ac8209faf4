"""Pictures that a codec only decodes as a whole, and their rows.

What that needs of memory is known from the header and refused beyond the job's limit
(`source.check_whole`) before the codec sees a byte.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from hotfolder.errors import Refuse
from hotfolder.raster.foreign import TRY_AGAIN, translated
from hotfolder.raster.picture import Stored
from hotfolder.raster.samples import SampleLayout, to_rows
from hotfolder.raster.source import Header, Rows


class WholeSource:
    """The rows of a picture that is decoded as a whole when the first are asked for.

    Parameters
    ----------
    header
        What the file says.
    layout
        What the samples that `decode` yields mean.
    samples
        How many of them a pixel has.
    decode
        The codec: shape (rows, width, samples), or without the last where there is one.
    what
        The picture, as ``"the WebP picture"``.
    """

    def __init__(
        self,
        header: Header,
        layout: SampleLayout,
        samples: int,
        decode: Callable[[], Stored],
        what: str,
    ) -> None:
        self.header = header
        self.layout = layout
        self._samples = samples
        self._decode: Callable[[], Stored] | None = decode
        self._what = what
        self._stored: Stored | None = None

    def rows(self, start: int, stop: int) -> Rows:
        """See `RowSource`."""
        return to_rows(self.stored()[start:stop], self.layout)

    def close(self) -> None:
        """See `RowSource`."""
        self._decode, self._stored = None, None

    def stored(self) -> Stored:
        """All samples: shape (rows, width, samples).

        Raises
        ------
        Refuse
            ``damaged`` when the codec fails, or yields another picture than the header promises.
        """
        if self._stored is None:
            with translated(self._what):
                if self._decode is None:
                    raise ValueError("the picture is closed")
                stored = self._decode()
            self._decode = None  # and with it the file's bytes
            stored = stored[..., np.newaxis] if stored.ndim == 2 else stored
            expected = (self.header.height_px, self.header.width_px, self._samples)
            if stored.shape != expected:
                raise Refuse(
                    "damaged",
                    f"The file is damaged: {self._what} is not of the size or kind that its "
                    f"header says. {TRY_AGAIN}",
                )
            self._stored = stored
        return self._stored
