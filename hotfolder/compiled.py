"""Loops over pixels as machine code: written in Python, compiled by Numba.

numpy walks a picture once per operation; a loop that does all of them pixel by pixel walks it once,
which is several times as fast. A loop is compiled when its module is imported, and the code is
kept on disk beside it, or in the user's cache where that folder cannot be written to. So the first
start of a version takes some seconds longer than the next ones. Where neither folder can be
written to, every start compiles.

Loops let go of the interpreter, so threads (`hotfolder.colour.slabs`) share them out among the
cores. They use no threads of Numba's, which do not survive the fork of a worker. They do not look
whether an index is inside its array: who calls them does.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
import numpy as np
from numba.core import types

Loop = TypeVar("Loop", bound=Callable[..., Any])

_OPTIONS: dict[str, Any] = {"nogil": True, "boundscheck": False, "error_model": "numpy"}


def seen(dtype: str, ndim: int) -> types.Array:
    """Type of an array that a loop only reads: C-contiguous, `dtype` as numpy writes it."""
    return types.Array(numba.from_dtype(np.dtype(dtype)), ndim, "C", readonly=True)


def made(dtype: str, ndim: int) -> types.Array:
    """Type of an array that a loop writes: C-contiguous, `dtype` as numpy writes it."""
    return types.Array(numba.from_dtype(np.dtype(dtype)), ndim, "C")


def compiled(*arguments: types.Type, returns: types.Type = types.void) -> Callable[[Loop], Loop]:
    """Compile a loop for arguments of these types, now.

    Floating point is kept to the order in which it is written, so that a result does not depend
    on how a picture is cut into parts.
    """
    signature = returns(*arguments)

    def compile_loop(loop: Loop) -> Loop:
        result: Any
        try:
            result = numba.njit(signature, cache=True, **_OPTIONS)(loop)
        except RuntimeError as error:
            if "cannot cache" not in str(error):
                raise
            result = numba.njit(signature, **_OPTIONS)(loop)
        return cast("Loop", result)

    return compile_loop


def inlined(part: Loop) -> Loop:
    """Compile a function that loops call; it becomes part of their code."""
    result: Any = numba.njit(**_OPTIONS)(part)
    return cast("Loop", result)
