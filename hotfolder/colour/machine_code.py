"""Loops over pixels as machine code: written in Python, compiled by Numba.

numpy walks a picture once per operation; a loop that does all of them pixel by pixel walks it once,
which is several times as fast. A loop is compiled when it is first called, or by `compile_all`
before the first worker, and the code is kept on disk beside its module, or in the user's cache
where that folder cannot be written to. So the first work of a version starts later than the next,
by half a minute of one core's work. Where neither folder can be written to, every start compiles;
once whoever may write to the first one has started, all users of the machine read what is there.

Numba itself is imported by the first compilation and not before: it takes longer than all other
imports together, and commands that compute no pixels have no use for it.

Loops let go of the interpreter, so threads (`hotfolder.colour.slabs`) share them out among the
cores. They use no threads of Numba's, which do not survive the fork of a worker. They do not look
whether an index is inside its array: who calls them does.

A loop that makes an array counts who holds each of its arrays, in atomic steps at every slice.
Where that is much, its caller gives it room instead, and nothing is counted.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import FunctionType
from typing import Any, TypeVar, cast

import numpy as np

from hotfolder.disk import processes

Loop = TypeVar("Loop", bound=Callable[..., Any])

_OPTIONS: dict[str, Any] = {
    "nogil": True,
    "boundscheck": False,
    "error_model": "numpy",
    # no C code calls a loop
    "no_cfunc_wrapper": True,
}
_MAKERS = frozenset(
    {"empty", "empty_like", "zeros", "zeros_like", "ones", "ones_like", "full", "full_like", "copy"}
)
"""What of numpy makes an array; a loop that calls one of these counts its arrays."""
_LOCK = threading.RLock()
_MOST_AT_ONCE = 256
"""Loops that are compiled side by side; more than there are."""


@dataclass(frozen=True)
class Kind:
    """Type of a loop's argument: an array of `ndim` dimensions, or a number when that is 0."""

    dtype: str
    ndim: int = 0
    read_only: bool = True


def seen(dtype: str, ndim: int) -> Kind:
    """Declare an array that a loop only reads: C-contiguous.

    Parameters
    ----------
    dtype
        As numpy writes it: ``"u2"``.
    ndim
        Dimensions.

    Returns
    -------
    The kind, for `compiled`.
    """
    return Kind(dtype, ndim)


def made(dtype: str, ndim: int) -> Kind:
    """Declare an array that a loop writes: C-contiguous.

    Parameters
    ----------
    dtype
        As numpy writes it: ``"u2"``.
    ndim
        Dimensions.

    Returns
    -------
    The kind, for `compiled`.
    """
    return Kind(dtype, ndim, read_only=False)


def number(dtype: str) -> Kind:
    """Declare a single number.

    Parameters
    ----------
    dtype
        As numpy writes it: ``"i8"``.

    Returns
    -------
    The kind, for `compiled`.
    """
    return Kind(dtype)


def compiled(*arguments: Kind) -> Callable[[Loop], Loop]:
    """Compile a loop for arguments of these types; it returns nothing.

    Floating point is kept to the order in which it is written, so that a result does not depend
    on how a picture is cut into parts.

    Parameters
    ----------
    arguments
        Kinds of its arguments, in their order.

    Returns
    -------
    A decorator.
    """

    def keep(loop: Loop) -> Loop:
        late = _Late(cast("FunctionType", loop), arguments)
        _LOOPS.append(late)
        return cast("Loop", late)

    return keep


def inlined(part: Loop) -> Loop:
    """Mark a function that loops call; it becomes part of their code.

    Parameters
    ----------
    part
        The function.

    Returns
    -------
    What loops call in its place.
    """
    return cast("Loop", _Late(cast("FunctionType", part), None))


def compile_all() -> None:
    """Compile every loop of the modules imported so far, or read its code from disk.

    Only for a process of one thread: where nothing is on disk yet, each core compiles a share, in a
    process of its own, and all read what the others have kept.
    """
    first, *others = sorted(_LOOPS, key=_Late.length)
    first.machine_code()
    if first.was_written():
        _compile_side_by_side(others[::-1], processes.cpu_count())
    for loop in others:
        loop.machine_code()


def _compile_side_by_side(loops: Sequence[_Late], processes: int) -> None:
    """Compile loops and keep their code on disk; what fails here fails again where it is told."""
    if not hasattr(os, "fork") or processes == 1:
        return
    read, write = os.pipe()  # each process takes the next one's number when it is done with one
    os.write(write, bytes(range(min(len(loops), _MOST_AT_ONCE))))
    os.close(write)
    started = []
    for _ in range(processes):
        child = os.fork()
        if not child:
            code = 1
            try:
                while number := os.read(read, 1):
                    loops[number[0]].machine_code()
                code = 0
            finally:
                os._exit(code)
        started.append(child)
    os.close(read)
    for child in started:
        os.waitpid(child, 0)


class _Late:
    """A function that is compiled when it is first needed."""

    def __init__(self, written: FunctionType, arguments: tuple[Kind, ...] | None) -> None:
        self.__doc__ = written.__doc__
        self._written = written
        self._arguments = arguments
        self._code: Any = None

    def __call__(self, *arguments: Any) -> Any:
        return (self._code or self.machine_code())(*arguments)

    def length(self) -> int:
        """How long it is as written, which says roughly how long it takes to compile."""
        return len(self._written.__code__.co_code)

    def was_written(self) -> bool:
        """Whether its code was not on disk before, and is now."""
        stats = self._code.stats
        return stats.cache_path is not None and not stats.cache_hits

    def machine_code(self) -> Any:
        with _LOCK:
            if self._code is None:
                self._code = self._compile()
            return self._code

    def _compile(self) -> Any:
        import numba

        function = _with_parts(self._written)
        # without this Numba counts who holds an array; what it makes has to be freed
        options: dict[str, Any] = _OPTIONS | {"_nrt": _makes_arrays(self._written)}
        if self._arguments is None:
            options["no_cpython_wrapper"] = True  # only loops call it, Python does not
            return numba.njit(**options)(function)
        signature = numba.void(*(_numba_type(kind) for kind in self._arguments))
        try:
            return numba.njit(signature, cache=True, **options)(function)
        except RuntimeError as error:
            if "cannot cache" not in str(error):
                raise
            return numba.njit(signature, **options)(function)


_LOOPS: list[_Late] = []


def _with_parts(written: FunctionType) -> FunctionType:
    """The same function, for which the functions that it calls are compiled ones."""
    known = dict(written.__globals__)
    for name in written.__code__.co_names:
        if isinstance(known.get(name), _Late):
            known[name] = known[name].machine_code()
    function = FunctionType(
        written.__code__, known, written.__name__, written.__defaults__, written.__closure__
    )
    # Numba keeps an index of what is on disk for each name; processes that write one at once lose
    # each other's entries
    values = [str(cell.cell_contents) for cell in written.__closure__ or ()]
    function.__qualname__ = "-".join([written.__qualname__, *values])
    return function


def _makes_arrays(written: FunctionType) -> bool:
    """Whether a loop, or a part of it, makes arrays of its own."""
    names = written.__code__.co_names
    parts = [written.__globals__.get(name) for name in names]
    return not _MAKERS.isdisjoint(names) or any(
        isinstance(part, _Late) and _makes_arrays(part._written)  # noqa: SLF001 - of this class
        for part in parts
    )


def _numba_type(kind: Kind) -> Any:
    import numba

    scalar = numba.from_dtype(np.dtype(kind.dtype))
    if kind.ndim == 0:
        return scalar
    return numba.types.Array(scalar, kind.ndim, "C", readonly=kind.read_only)
