"""Sharing an array of pixels out among the cores, a slab of rows each.

LittleCMS and numpy let go of the interpreter while they compute, so threads are enough. They live
for one call, beside the one that calls: starting one costs 0.1 ms, and none is left when a worker
ends.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TypeVar

import numpy as np

from hotfolder.disk import processes

Given = TypeVar("Given")
Result = TypeVar("Result")

PIXELS_PER_THREAD = 250_000
"""Below this a second thread costs more than it brings."""


def cpu_count() -> int:
    """Return how many processors this job may use.

    Returns
    -------
    1 or more.
    """
    return processes.cpu_count()


def over_slabs(
    work: Callable[[int, int], Result],
    rows: int,
    width: int,
    *,
    worth_a_thread: int | None = None,
) -> list[Result]:
    """Call ``work(start, stop)`` for slabs of rows that together are all, top to bottom.

    As many at once as this process may use cores, if each gets `worth_a_thread` pixels
    (`PIXELS_PER_THREAD` unless given); the results come in the order of the rows.

    Parameters
    ----------
    work
        Called with the first row of a slab and the one behind its last.
    rows
        How many there are.
    width
        Pixels in a row.
    worth_a_thread
        Pixels below which another thread costs more than it brings.

    Returns
    -------
    What `work` returned, in the order of the rows.
    """
    each = PIXELS_PER_THREAD if worth_a_thread is None else worth_a_thread
    threads = max(1, min(cpu_count(), rows, rows * width // each))
    edges = np.linspace(0, rows, threads + 1).astype(int).tolist()
    first, *others = pairwise(edges)
    if not others:
        return [work(*first)]
    with ThreadPoolExecutor(len(others)) as pool:  # and this thread, which need not be started
        begun = [pool.submit(work, *slab) for slab in others]
        return [work(*first), *(each.result() for each in begun)]


def in_threads(work: Callable[[Given], Result], given: Iterable[Given]) -> list[Result]:
    """Call `work` with each, as many at once as there are cores.

    Parameters
    ----------
    work
        Called with each.
    given
        What there is to do.

    Returns
    -------
    What `work` returned, in the order of `given`.
    """
    with ThreadPoolExecutor(cpu_count()) as pool:
        return list(pool.map(work, given))
