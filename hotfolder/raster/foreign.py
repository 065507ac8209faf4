"""Errors of the codecs, turned into words for the person who dropped the file.

This is the one place where an exception of tifffile, imagecodecs, Pillow or zlib becomes a
`Refuse`; the cause stays chained for whoever reads the log.
"""

from __future__ import annotations

import contextlib
import struct
import zlib
from collections.abc import Iterator

from hotfolder.errors import Refuse

TRY_AGAIN = "Export or copy it again and drop it once more."

TABLE: tuple[tuple[tuple[type[Exception], ...], str, str], ...] = (
    (
        (NotImplementedError,),
        "unsupported",
        (
            "{what} is stored in a way that cannot be read here. "
            "Save it as a plain TIFF without JPEG compression, or as PNG, and drop it again."
        ),
    ),
    (
        # imagecodecs raises subclasses of RuntimeError; tifffile's own error and what its
        # parser stumbles over in a broken file are the others.
        (
            RuntimeError,
            ValueError,
            LookupError,
            TypeError,
            AttributeError,
            ArithmeticError,
            EOFError,
            SyntaxError,  # Pillow's word for a file that it cannot make out
            struct.error,
            zlib.error,
        ),
        "damaged",
        "The file is damaged: {what} cannot be read. " + TRY_AGAIN,
    ),
)
"""Kinds of foreign exceptions, in the order in which they are tried: kinds, code, message."""


@contextlib.contextmanager
def translated(what: str) -> Iterator[None]:
    """Turn a codec's exception into a `Refuse`; `what` starts a sentence or follows a colon.

    Raises
    ------
    Refuse
        With the code and message of the first row of `TABLE` that names the exception.
    """
    try:
        yield
    except tuple(kind for kinds, _, _ in TABLE for kind in kinds) as error:
        raise _refusal(error, what) from error


def _refusal(error: Exception, what: str) -> Refuse:
    code, message = next(
        (code, message) for kinds, code, message in TABLE if isinstance(error, kinds)
    )
    text = message.format(what=what)
    return Refuse(code, text[0].upper() + text[1:])


def cut_short(what: str) -> Refuse:
    """The refusal of a file that ends before its contents do."""
    return Refuse("damaged", f"The file is cut short: {what}. {TRY_AGAIN}")
