"""Reading a file that an instrument's program wrote: the colours of patches, and how measured.

Nothing is guessed that a person could not see from the strip: percent or share is told by the
paper, which every strip has. Where a file has spectra and colours, the spectra count, and the
colours have to agree with them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from hotfolder.colour.arrays import Floats
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.encodings import xyz_to_lab
from hotfolder.measured.cgats import is_cgats, read_cgats
from hotfolder.measured.csv_text import read_csv
from hotfolder.measured.cxf import is_cxf, read_cxf
from hotfolder.measured.fields import find_colours, find_key, find_spectrum, has_colours
from hotfolder.measured.records import Kind
from hotfolder.measured.spectra import spectra_to_lab
from hotfolder.measured.table import MAX_BYTES, NotUsable, Row, Table
from hotfolder.measured.text import decode_text

_NUMBER: Final = re.compile(r"[+-]?(?:\d{1,12}(?:[.,]\d{0,20})?|[.,]\d{1,20})(?:[eE][+-]?\d{1,2})?")
_CONDITION: Final = re.compile(r"(?<![A-Za-z0-9])M[0-3](?![0-9])")
_AGREE: Final = 2.0
"""Mean ΔE00 between a file's spectra and its colours, above which one of them is wrong."""
_SAYS_LIGHT: Final = ("ILLUMIN", "WEIGHTING", "OBSERVER")
_OTHER_LIGHT: Final = re.compile(r"\b(D55|D65|D75|F2|F7|F11|F12|TL84)\b")
_OTHER_OBSERVER: Final = re.compile(r"(?<!\d)10[ _]?(?:°|\?|DEG|$)", re.IGNORECASE)


@dataclass(frozen=True)
class Spectra:
    """How much of each wavelength patches reflect."""

    wavelengths: tuple[int, ...]
    """In nm, ascending."""
    reflectance: Floats
    """Shape (n, wavelengths): 1 is the perfect diffuser."""


@dataclass(frozen=True)
class Measurement:
    """The colours of patches, in the order of the file."""

    lab: Floats
    """Shape (n, 3): L*, a*, b* for D50 and 2°, against the perfect diffuser."""
    kind: Kind
    """What they were computed from."""
    where: tuple[str, ...]
    """Of each, for people."""
    device: Mapping[str, Floats]
    """Shape (n, channels) as in the file, by ``rgb``, ``cmyk``, ``grey``."""
    keys: Mapping[str, tuple[str, ...]]
    """Of each, by ``name``, ``place`` and ``id``."""
    condition: str | None
    """``M0`` … ``M3`` (ISO 13655), where file or name say it."""
    backing: str | None
    head: Mapping[str, str]
    """What else the file says, by key."""
    spectra: Spectra | None = None
    """Where the file has them."""


def read_measurement(data: bytes, name: str) -> Measurement:
    """Read a measurement, whatever format it is in.

    Parameters
    ----------
    data
        The whole file.
    name
        Of the file; ``M1`` in it says how the strip was measured, where the file does not.

    Raises
    ------
    NotUsable
        Says in which line what is wrong.
    """
    if len(data) > MAX_BYTES:
        raise NotUsable(f"the file has more than {MAX_BYTES // 2**20} MiB")
    if not data.strip(b"\0 \r\n\t"):
        raise NotUsable("the file is empty")
    if is_cxf(data):
        tables = read_cxf(data)
    else:
        text = decode_text(data)
        tables = read_cgats(text) if is_cgats(text) else [read_csv(text)]
    named = sorted(set(_CONDITION.findall(name)))
    table, others = _choose(tables, named)
    condition = _condition(table, named)
    _check_light(table)
    return _measured(table, others, condition)


def _choose(tables: Sequence[Table], named: Sequence[str]) -> tuple[Table, list[Table]]:
    """The table that counts, and tables of the same patches measured in the same way."""
    with_colours = [each for each in tables if has_colours(each.fields)]
    if not with_colours:
        raise NotUsable(
            f"{tables[0].where}: the table has neither L*a*b*, nor XYZ, nor spectra; it may hold "
            "what is to be printed, or densities"
        )
    by_way: dict[str, list[Table]] = {}
    for each in with_colours:
        by_way.setdefault(_said_condition(each) or "", []).append(each)
    if len(by_way) > 1 and len(named) == 1 and named[0] in by_way:
        by_way = {named[0]: by_way[named[0]]}
    if len(by_way) > 1:
        ways = ", ".join(each or "one that is not said" for each in by_way)
        raise NotUsable(
            f"the file holds measurements in several conditions ({ways}); put the one that counts "
            "into the file's name, as in 'strip M1.txt', and drop it again"
        )
    (found,) = by_way.values()
    found.sort(key=lambda each: not find_spectrum(each.fields))
    if len({len(each.rows) for each in found}) > 1 or (
        len(found) > 1 and len({_kind(each) for each in found}) < len(found)
    ):
        raise NotUsable(
            f"the file has {len(found)} tables of colours; give back one strip in a file"
        )
    return found[0], found[1:]


def _kind(table: Table) -> Kind:
    if find_spectrum(table.fields):
        return "spectra"
    return "lab" if "lab" in find_colours(table.fields) else "xyz"


def _said_condition(table: Table) -> str | None:
    said = {
        found
        for key, value in table.head.items()
        if any(part in key for part in ("CONDITION", "FILTER", "MEASUREMENT", "ILLUMINATION"))
        for found in _CONDITION.findall(value)
    }
    if len(said) > 1:
        raise NotUsable(f"the file says {' and '.join(sorted(said))} of one measurement")
    return said.pop() if said else None


def _condition(table: Table, named: Sequence[str]) -> str | None:
    said = _said_condition(table)
    if len(named) > 1 or (said and named and named != [said]):
        raise NotUsable(
            f"the file's name says {' and '.join(named)}"
            + (f", the file itself {said}" if said else "")
            + "; it is not known in which condition it was measured"
        )
    return said or (named[0] if named else None)


def _check_light(table: Table) -> None:
    """Refuse colours for another light or observer; spectra are for any."""
    if find_spectrum(table.fields):
        return
    for key, value in table.head.items():
        if any(part in key for part in _SAYS_LIGHT) and (
            _OTHER_LIGHT.search(value) or _OTHER_OBSERVER.search(value)
        ):
            raise NotUsable(
                f"{key} says {value!r}: colours are needed for D50 and the 2° observer, or spectra"
            )


def _measured(table: Table, others: Sequence[Table], condition: str | None) -> Measurement:
    mark = _Mark()
    colours = find_colours(table.fields)
    kind = _kind(table)
    labs = _labs(table, mark)
    for other in others:
        labs |= {key: lab for key, lab in _labs(other, mark).items() if key not in labs}
    lab = labs[kind]
    for other_kind, found in labs.items():
        apart = float(np.mean(delta_e_00(lab, found)))
        if apart > _AGREE:
            raise NotUsable(
                f"{table.where}: {_WORDS[kind]} and {_WORDS[other_kind]} of the file are "
                f"{apart:.1f} ΔE00 apart on average: columns are swapped, or the colours are for "
                "another light or observer than D50 and 2°"
            )
    keys = {key: find_key(table.fields, key) for key in ("name", "place", "id")}
    return Measurement(
        lab=lab,
        kind=kind,
        where=tuple(row.where for row in table.rows),
        device={
            group: _numbers(table, colours[group], mark)
            for group in ("rgb", "cmyk", "grey")
            if group in colours
        },
        keys={
            key: tuple(row.values[at].strip() for row in table.rows)
            for key, at in keys.items()
            if at is not None
        },
        condition=condition,
        backing=next((value for key, value in table.head.items() if "BACKING" in key), None),
        head=table.head,
        spectra=_spectra(table, mark),
    )


_WORDS: Final = {"spectra": "the spectra", "lab": "the L*a*b* values", "xyz": "the XYZ values"}


def _labs(table: Table, mark: _Mark) -> dict[Kind, Floats]:
    """L*a*b* from each kind of colour that a table has, spectra first."""
    found: dict[Kind, Floats] = {}
    colours, spectra = find_colours(table.fields), _spectra(table, mark)
    if spectra:
        found["spectra"] = spectra_to_lab(spectra.wavelengths, spectra.reflectance, table.where)
    if "lab" in colours:
        lab = _numbers(table, colours["lab"], mark)
        for row, (L, a, b) in zip(table.rows, lab, strict=True):
            if not (-1 <= L <= 110 and max(abs(a), abs(b)) <= 160):
                raise NotUsable(
                    f"{row.where}: L* {L:g}, a* {a:g}, b* {b:g} is no colour of a print; perhaps "
                    "columns are swapped"
                )
        found["lab"] = lab
    if "xyz" in colours:
        xyz = _numbers(table, colours["xyz"], mark)
        found["xyz"] = xyz_to_lab(_shares(table, xyz, 1.6, "Y"))
    return found


def _spectra(table: Table, mark: _Mark) -> Spectra | None:
    places = find_spectrum(table.fields)
    if not places:
        return None
    values = _numbers(table, list(places.values()), mark)
    return Spectra(tuple(places), _shares(table, values, 2.0, "reflectance"))


def _shares(table: Table, values: Floats, above: float, what: str) -> Floats:
    """Percent or shares, told by the lightest; every strip has its paper."""
    largest = float(values.max())
    made = values / 100 if largest > above else values
    for row, each in zip(table.rows, made, strict=True):
        if each.min() < -0.1 or each.max() > 2.0:
            worst = each.min() if each.min() < -0.1 else each.max()
            raise NotUsable(f"{row.where}: {what} {worst:g} cannot be of a print")
    return made


class _Mark:
    """The decimal mark of a file: a point or a comma, not both."""

    def __init__(self) -> None:
        self._found: dict[str, str] = {}

    def read(self, text: str, field: str, row: Row) -> float:
        """Read a number.

        Raises
        ------
        NotUsable
            When it is none, or has another decimal mark than the numbers before it.
        """
        text = text.strip()
        if not _NUMBER.fullmatch(text):
            shown = repr(text[:40]) if text else "empty"
            raise NotUsable(f"{row.where}: {field} is {shown}, which is no number")
        for mark in ".,":
            if mark in text:
                self._found.setdefault(mark, row.where)
        if len(self._found) > 1:
            raise NotUsable(
                f"{row.where}: {field} is {text}: some numbers of the file have a point, others a "
                "comma; it is not known whether the comma divides"
            )
        return float(text.replace(",", "."))


def _numbers(table: Table, places: Sequence[int], mark: _Mark) -> Floats:
    made: Floats = np.array(
        [[mark.read(row.values[at], table.fields[at], row) for at in places] for row in table.rows]
    )
    return made
