"""What findings mean, in the program's own words: what audit, report and status can show.

Findings are a stage's own; their keys mean nothing to anybody else. A stage that wants its
measures asked for, sorted by and shown says in `Facts` which of them is what.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Final, TypeAlias, TypedDict

from pydantic import ConfigDict

Json: TypeAlias = "str | int | float | bool | Sequence[Json] | Mapping[str, Json] | None"
"""A value that JSON can say."""

Findings: TypeAlias = Mapping[str, Json]
"""What a stage measured: JSON values under keys that carry their unit (``radius_px``)."""

Cell = str | float | int | bool | None
"""A value that stands in one cell of a table."""

_IN_RECORDS: Final = ConfigDict(extra="forbid", allow_inf_nan=False, revalidate_instances="always")
"""Facts are a part of records, which are strict JSON; a stage may have filled in anything."""


def number_in(findings: Json, *keys: str) -> float | None:
    """Look a number up in findings.

    Parameters
    ----------
    findings
        As a stage returned them, or as a record holds them.
    keys
        From the outside in.

    Returns
    -------
    The number; None when there is nothing, or something else.

    Examples
    --------
    >>> number_in({"delta_e_00": {"mean": 1.5}}, "delta_e_00", "mean")
    1.5
    """
    found = _found(findings, keys)
    if isinstance(found, float):
        return found
    return float(found) if isinstance(found, int) and not isinstance(found, bool) else None


def text_in(findings: Json, *keys: str) -> str:
    """Look a text up in findings.

    Parameters
    ----------
    findings
        As a stage returned them, or as a record holds them.
    keys
        From the outside in.

    Returns
    -------
    The text; ``""`` when there is nothing, or something else.

    Examples
    --------
    >>> text_in({"lost_in_words": "mostly greens"}, "lost_in_words")
    'mostly greens'
    """
    found = _found(findings, keys)
    return found if isinstance(found, str) else ""


def flag_in(findings: Json, *keys: str) -> bool | None:
    """Look a yes or no up in findings.

    Parameters
    ----------
    findings
        As a stage returned them, or as a record holds them.
    keys
        From the outside in.

    Returns
    -------
    True or False; None when there is nothing, or something else.

    Examples
    --------
    >>> flag_in({"monochrome": True}, "monochrome")
    True
    """
    found = _found(findings, keys)
    return found if isinstance(found, bool) else None


def _found(findings: Json, keys: Sequence[str]) -> Json:
    found = findings
    for key in keys:
        # nothing or a dict as a rule: to ask whether it is another Mapping takes ten times as long
        if found is None or not isinstance(found, (dict, Mapping)):
            return None
        found = found.get(key)
    return found


class ColumnValues(TypedDict):
    """A column as reports and status have it in JSON."""

    name: str
    title: str
    unit: str
    value: Cell


@dataclass(frozen=True)
class Column:
    """A measure that the program has no word for, with what a table needs to show it.

    Examples
    --------
    >>> Column("label-height", "Label", "mm", 6.0).heading
    'Label, mm'
    """

    __pydantic_config__ = _IN_RECORDS

    name: str
    """Short, stable, lower-case words with hyphens: the key in CSV and JSON."""

    title: str
    """What a person reads above the column."""

    unit: str
    """Of the value: ``"mm"``, ``"%"``; ``""`` when it has none."""

    value: Cell
    """What was measured; None when it was not."""

    @property
    def heading(self) -> str:
        """Title and unit."""
        return f"{self.title}, {self.unit}" if self.unit else self.title

    def to_json(self) -> ColumnValues:
        """Return its values under their names.

        Returns
        -------
        JSON values by name.
        """
        return {"name": self.name, "title": self.title, "unit": self.unit, "value": self.value}


def describe_column(column: ColumnValues) -> str:
    """Say a column in one line, as people read it: "Label: 6.0 mm"."""
    return f"{column['title']}: {column['value']} {column['unit']}".rstrip()


@dataclass(frozen=True)
class Facts:
    """What was measured of one job. None, or empty: not measured.

    Examples
    --------
    >>> joined = Facts(share_lost=0.02).joined_with(Facts(cast_chroma=1.5))
    >>> joined.share_lost, joined.cast_chroma
    (0.02, 1.5)
    """

    __pydantic_config__ = _IN_RECORDS

    share_lost: float | None = None
    """Share of the picture's pixels that are lost in what is delivered, for any cause, 0 … 1."""

    share_out_of_gamut: float | None = None
    """Share of the picture's pixels that the medium cannot make at all, 0 … 1."""

    lost_in_words: str = ""
    """Which colours those are, in a few plain words."""

    tolerance_delta_e_00: float | None = None
    """ΔE00 above which a colour counted as lost."""

    delta_e_mean: float | None = None
    """ΔE00 of what is lost, mean over the picture."""

    delta_e_p95: float | None = None
    """The same, exceeded by one pixel in twenty."""

    delta_e_max: float | None = None
    """The same, of the worst pixel."""

    hues: Mapping[str, float] = field(default_factory=dict)
    """Share of each hue in what is lost, 0 … 1, by its plain name."""

    cropped_share: float | None = None
    """Share of the picture's area that is cut off to fill the size, 0 … 1."""

    effective_ppi: float | None = None
    """Pixels of the original per printed inch."""

    wanted_ppi: float | None = None
    """The same, below which the destination warns, or else holds."""

    ink_max_percent: float | None = None
    """The most ink at one place: the sum of all inks, 100 % each."""

    ink_limit_percent: float | None = None
    """How much the paper takes."""

    ink_above_share: float | None = None
    """Share of the picture above that limit, 0 … 1."""

    is_black_and_white: bool | None = None
    """Whether the picture has no colour."""

    cast_chroma: float | None = None
    """C*ab of the worst grey that comes out of a black-and-white picture, or of the worst that a
    toned one gets beyond its tone."""

    mean_lightness: float | None = None
    """Mean L* of the page, 0 … 100."""

    grey_share: float | None = None
    """Share of the page that is nearly grey, 0 … 1."""

    grey_a: float | None = None
    """Mean a* of what is nearly grey."""

    grey_b: float | None = None
    """Mean b* of what is nearly grey."""

    columns: tuple[Column, ...] = ()
    """Measures of the stage's own."""

    def joined_with(self, other: Facts) -> Facts:
        """Fill in what is not known here from `other`, and add its columns.

        Parameters
        ----------
        other
            Facts of another stage of the same job.

        Returns
        -------
        Facts that know what either of the two knows; where both do, what is known here.
        """
        known = {
            each.name: getattr(other, each.name)
            for each in fields(self)
            if getattr(self, each.name) in (None, "", {})
        }
        return replace(self, **known, columns=self.columns + other.columns)
