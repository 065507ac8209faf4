"""Whether a destination's stages stand in an order in which each can do its work.

A stage declares its place and whose messages it must stand behind; both bind two stages at a
time. Stages that declare nothing may stand anywhere before those that stand last.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from hotfolder.stages.contract import AnyStage, Place

_PLACES = list(Place)


@dataclass(frozen=True)
class Misplaced:
    """A stage that stands too far down.

    Examples
    --------
    >>> str(Misplaced(1, "gamut-check", "profile-conversion", "it works on the original"))
    "'gamut-check' comes after 'profile-conversion'"
    """

    index: int
    """Where it stands in the list, from 0."""

    name: str
    """The stage."""

    behind: str
    """A stage that it must stand before."""

    why: str
    """Why, in a few words."""

    def __str__(self) -> str:
        return f"{self.name!r} comes after {self.behind!r}"


def find_misplaced(names: Sequence[str], stages: Mapping[str, type[AnyStage]]) -> list[Misplaced]:
    """Find every stage that comes after one that must come after it.

    Parameters
    ----------
    names
        The stages in the order in which they stand, each once.
    stages
        Their classes.

    Returns
    -------
    One for each such stage, with the first one that it stands behind; empty for a right order.
    """
    found = []
    for index, name in enumerate(names):
        for earlier in names[:index]:
            why = _reason(stages[name], stages[earlier])
            if why:
                found.append(Misplaced(index, name, earlier, why))
                break
    return found


def right_order(names: Sequence[str], stages: Mapping[str, type[AnyStage]]) -> list[str] | None:
    """Put stages into an order in which each can work, and otherwise leave them as they stand.

    Parameters
    ----------
    names
        The stages in the order in which they stand, each once.
    stages
        Their classes.

    Returns
    -------
    The order; None when what they declare contradicts itself.
    """
    waiting, order = list(names), list[str]()
    while waiting:
        free = next(
            (
                name
                for name in waiting
                if not any(_reason(stages[each], stages[name]) for each in waiting if each != name)
            ),
            None,
        )
        if free is None:
            return None
        waiting.remove(free)
        order.append(free)
    return order


def _reason(first: type[AnyStage], second: type[AnyStage]) -> str:
    """Say why one stage must stand before another; "" when it need not."""
    if second.place is Place.LAST and first.place is not Place.LAST:
        return f"{second.name} works on {second.place}"
    if first.place and second.place and _PLACES.index(first.place) < _PLACES.index(second.place):
        return f"{first.name} works on {first.place}"
    if set(first.tells) & set(second.comes_after):
        return f"{second.name} needs what {first.name} does"
    return ""
