"""CxF3 (ISO 17972-1), by the library colour-cxf; made into a table as text is."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Final

from defusedxml import ElementTree
from defusedxml.common import DefusedXmlException

from hotfolder.measured.table import MAX_ROWS, NotUsable, Row, Table, make_table

if TYPE_CHECKING:
    from colour_cxf.cxf3 import ColorSpecification, Object

# it logs what it skips; without a handler that would go to the terminal
logging.getLogger("xsdata").addHandler(logging.NullHandler())

_DEVICE: Final = {
    "ColorRgb": ("r", "g", "b"),
    "ColorCmyk": ("cyan", "magenta", "yellow", "black"),
}
_FIELDS: Final = {
    "ColorRgb": ("RGB_R", "RGB_G", "RGB_B"),
    "ColorCmyk": ("CMYK_C", "CMYK_M", "CMYK_Y", "CMYK_K"),
}


def is_cxf(data: bytes) -> bool:
    """Whether a file is XML."""
    start = data[:400].replace(b"\0", b"").removeprefix(b"\xef\xbb\xbf").lstrip(b"\xff\xfe \r\n\t")
    return start.startswith(b"<")


def read_cxf(data: bytes) -> list[Table]:
    """Read the measured objects of a file: one table for each way of measuring in it.

    Raises
    ------
    NotUsable
        When it is no CxF3, is damaged, or holds no colours.
    """
    objects, ways = _objects(data)
    if len(objects) > MAX_ROWS:
        raise NotUsable(f"the file has more than {MAX_ROWS} objects")
    by_way: dict[tuple[str, str], list[tuple[tuple[str, ...], Row]]] = {}
    for number, each in enumerate(objects, 1):
        where = f"object {number} ({each.name or 'without a name'})"
        device = _device(each)
        for way, kind, columns, values in _colours(each, ways, where):
            names = ("SAMPLE_NAME", *device[0], *columns)
            row = Row((each.name or "", *device[1], *values), where)
            by_way.setdefault((way, kind), []).append((names, row))
    tables = []
    for (way, _), rows in by_way.items():
        names = rows[0][0]
        for others, row in rows:
            if others != names:
                raise NotUsable(f"{row.where}: it has other values than the objects before it")
        head = _describe(ways.get(way))
        tables.append(make_table(names, [row for _, row in rows], rows[0][1].where, head))
    if not tables:
        raise NotUsable("the file is CxF, but no object in it has a spectrum, L*a*b* or XYZ")
    return tables


def _objects(data: bytes) -> tuple[list[Object], dict[str, ColorSpecification]]:
    from colour_cxf.cxf3 import CxF
    from xsdata.exceptions import ConverterError, ParserError
    from xsdata.formats.dataclass.context import XmlContext
    from xsdata.formats.dataclass.parsers import XmlParser
    from xsdata.formats.dataclass.parsers.config import ParserConfig

    try:
        ElementTree.fromstring(data, forbid_dtd=True)
    except DefusedXmlException as error:
        raise NotUsable(
            "the file is XML with a document type or entities, which are not read"
        ) from error
    except (ElementTree.ParseError, ValueError, LookupError) as error:
        raise NotUsable(f"the file is XML, but is damaged: {error}") from error
    try:
        # colour-cxf's own function keeps what is no number as text, with a warning alone
        config = ParserConfig(fail_on_converter_warnings=True, fail_on_unknown_properties=False)
        found = XmlParser(config=config, context=XmlContext()).from_bytes(data, CxF)
    except (ParserError, ConverterError, ValueError, TypeError) as error:
        raise NotUsable(f"the file is XML, but no CxF3 that can be read: {error}") from error
    resources = found.resources
    objects = resources.object_collection if resources else None
    ways = resources.color_specification_collection if resources else None
    return (
        list(objects.object_value) if objects else [],
        {each.id or "": each for each in ways.color_specification} if ways else {},
    )


def _device(each: Object) -> tuple[tuple[str, ...], tuple[str, ...]]:
    for value in each.device_color_values.choice if each.device_color_values else ():
        kind = type(value).__name__
        if kind in _DEVICE:
            parts = tuple(_say(getattr(value, name, None)) for name in _DEVICE[kind])
            return _FIELDS[kind], parts
    return (), ()


def _colours(
    each: Object, ways: dict[str, ColorSpecification], where: str
) -> list[tuple[str, str, tuple[str, ...], tuple[str, ...]]]:
    """Way of measuring, kind, names and values of each colour of an object."""
    found = []
    for value in each.color_values.choice if each.color_values else ():
        way = str(getattr(value, "color_specification", "") or "")
        kind = type(value).__name__
        if kind == "ReflectanceSpectrum":
            start, step = _range(value, ways.get(way), where)
            names = tuple(f"NM_{start + step * at}" for at in range(len(value.value)))
            found.append((way, "spectrum", names, tuple(map(_say, value.value))))
        elif kind == "ColorCielab":
            parts = tuple(_say(getattr(value, name)) for name in ("l", "a", "b"))
            found.append((way, "lab", ("LAB_L", "LAB_A", "LAB_B"), parts))
        elif kind == "ColorCiexyz":
            parts = tuple(_say(getattr(value, name)) for name in ("x", "y", "z"))
            found.append((way, "xyz", ("XYZ_X", "XYZ_Y", "XYZ_Z"), parts))
    return found


def _range(value: object, way: ColorSpecification | None, where: str) -> tuple[int, int]:
    spec = way.measurement_spec if way else None
    said = spec.wavelength_range if spec else None
    start = getattr(value, "start_wl", None) or (said.start_wl if said else None)
    step = said.increment if said else None
    if start is None or step is None:
        raise NotUsable(f"{where}: the file does not say at which wavelengths its spectrum is")
    return int(start), int(step)


def _describe(way: ColorSpecification | None) -> dict[str, str]:
    """What is said of a way of measuring, with keys as text files have them."""
    head: dict[str, str] = {}
    spec = way.measurement_spec if way else None
    if spec and spec.device and spec.device.device_illumination:
        light = spec.device.device_illumination.value
        head["MEASUREMENT_CONDITION"] = str(light.value if light else "").replace("_", " ")
    if spec and spec.backing:
        head["SAMPLE_BACKING"] = spec.backing
    colour = way.tristimulus_spec if way else None
    light = getattr(colour.illuminant_or_custom_illuminant, "value", None) if colour else None
    if light is not None:
        head["ILLUMINANT"] = str(getattr(light, "value", light))
    if colour and colour.observer and colour.observer.value:
        head["OBSERVER"] = str(getattr(colour.observer.value, "value", colour.observer.value))
    return head


def _say(value: object) -> str:
    return "" if value is None else str(value)
