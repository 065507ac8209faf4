"""Which tests run, and in which order: each process begins with its share of the long ones."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from itertools import islice
from typing import TypeVar

import pytest

Item = TypeVar("Item")


def deal(items: Iterable[Item], is_long: Callable[[Item], bool], processes: int) -> list[Item]:
    """Order tests so that short ones are left for the end, which no process then spends idle.

    pytest-xdist with `--dist worksteal` cuts the list into as many equal parts as there are
    processes, and who has done all of his takes from the end of another's.

    Parameters
    ----------
    items : iterable
        The tests.
    is_long : callable
        Whether a test is long.
    processes : int
        Among how many the list is cut.

    Returns
    -------
    list
        The same tests: each part begins with every so-manieth long one.
    """
    items = list(items)
    long = [item for item in items if is_long(item)]
    short = iter([item for item in items if not is_long(item)])
    ordered: list[Item] = []
    for process in range(processes):
        size = (len(items) - len(ordered)) // (processes - process)
        mine = long[process::processes]
        ordered += [*mine, *islice(short, max(0, size - len(mine)))]
    return [*ordered, *short]


def keep_first_and_last(
    items: Iterable[pytest.Item],
    is_meant: Callable[[pytest.Item], bool],
    has_one: Callable[[pytest.Item], bool],
) -> list[pytest.Item]:
    """Leave out all cases of one test but its first and its last.

    Parameters
    ----------
    items : iterable
        The tests.
    is_meant : callable
        Whether a test may be left out.
    has_one : callable
        Whether also the last is, since one case says enough for what it costs.

    Returns
    -------
    list
        The others, in their order.
    """
    items = list(items)
    cases: defaultdict[str, list[pytest.Item]] = defaultdict(list)
    for item in items:
        if is_meant(item):
            cases[item.nodeid.partition("[")[0]].append(item)
    left_out = {
        id(item)
        for each in cases.values()
        for item in (each[1:] if has_one(each[0]) else each[1:-1])
    }
    return [item for item in items if id(item) not in left_out]
