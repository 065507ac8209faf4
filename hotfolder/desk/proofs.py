"""What a page needs to show a picture as finished beside what becomes of it, with its numbers.

The same for a job that waits and for a trial: pictures of a proof sheet under addresses of the
desk, where lines and places lie on them, and what was measured, in short words.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hotfolder.model.earlier_findings import find_facts
from hotfolder.model.records import ResultRecord, WorkRecord
from hotfolder.model.units import MM_PER_INCH, Money, say_share
from hotfolder.stages.roles import SheetFindings

Box = tuple[float, float, float, float]
"""Left, top, width and height, in percent of a picture's sides."""


@dataclass(frozen=True)
class Spot:
    """A place that is shown pixel by pixel."""

    number: int
    box: Box


@dataclass(frozen=True)
class Proof:
    """One picture in its views."""

    at: str
    """Address that the names of its views follow."""
    version: str
    """Changes when its pictures do."""
    names: frozenset[str]
    """Of the views that there are."""
    numbers: str
    """Address of its L*a*b* values; "" when there are none."""
    face: Box | None = None
    """What is looked at; None: all of it."""
    has_bleed: bool = False
    """Whether what is around that is cut off; else it is folded away."""
    original: Box | None = None
    """Where the whole original lies; None when that is not known."""
    spots: tuple[Spot, ...] = ()

    @property
    def has_pair(self) -> bool:
        """Whether both sides can be shown."""
        return {"finished", "medium"} <= self.names

    @property
    def numbers_of_places(self) -> range:
        """The numbers of places of which both sides can be shown."""
        most = sum(name.startswith("finished-") for name in self.names)
        return range(1, most + 1)

    def src(self, name: str) -> str:
        """Return the address of one view."""
        return f"{self.at}/{name}?of={self.version}"


def make_proof(
    at: str,
    version: str,
    names: Iterable[str],
    numbers: str,
    shown: SheetFindings | None,
    results: tuple[ResultRecord, ...],
) -> Proof:
    """Put together what a page shows of a proof."""
    views = frozenset(names)
    if shown is None or not results:
        return Proof(at, version, views, numbers)
    size = (results[0].width_px, results[0].height_px)

    def in_percent(left: float, top: float, width: float, height: float) -> Box:
        across, down = 100 / size[0], 100 / size[1]
        return left * across, top * down, width * across, height * down

    face = shown.face
    return Proof(
        at,
        version,
        views,
        numbers,
        face=in_percent(face.left_px, face.top_px, face.width_px, face.height_px) if face else None,
        has_bleed=shown.has_bleed,
        original=_times_100(shown.original_at) if shown.original_at else None,
        spots=tuple(
            Spot(number, in_percent(each.left_px, each.top_px, each.width_px, each.height_px))
            for number, each in enumerate(shown.places, 1)
        ),
    )


def _times_100(shares: tuple[float, float, float, float]) -> Box:
    left, top, width, height = (100 * each for each in shares)
    return left, top, width, height


@dataclass(frozen=True)
class Measure:
    """One number about what is made, and what it is of."""

    term: str
    value: str
    unit: str = ""


def list_measures(record: WorkRecord, shown: SheetFindings | None) -> list[Measure]:
    """Say in numbers what is made of a picture: size, pixels, loss, material; always in order."""
    facts = find_facts(record)
    size = pixels = ppi = lost = moved = cost = ""
    if record.results:
        result = record.results[0]
        if not facts.effective_ppi:  # on a screen, or nobody knows
            pixels = f"{result.width_px} × {result.height_px}"
        elif result.ppi and (shown is None or shown.print_mm):
            sides = (
                px / result.ppi * MM_PER_INCH / 10 for px in (result.width_px, result.height_px)
            )
            size = " × ".join(f"{side:.1f}" for side in sides)
    if facts.effective_ppi:
        ppi = f"{facts.effective_ppi:.0f}"
    if facts.share_lost is not None:
        lost = say_share(facts.share_lost)
    elif shown:
        lost = say_share(shown.lost_share_of_reduced)
    if shown:
        moved = f"{shown.moved_delta_e_00.mean:.1f}"
        cost = _say_money(shown.material_cost)
    return [
        Measure("Print", size, "cm"),
        Measure("Picture", pixels, "px"),
        Measure("Own pixels per inch", ppi),
        Measure("Lost", lost),
        Measure("Colours move by", moved, "ΔE00"),
        Measure("Material", cost),
    ]


def _say_money(money: Money | None) -> str:
    return str(money) if money else ""
