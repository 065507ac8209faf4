"""In which line of a TOML file a key stands: what the standard library's reader does not tell.

Good enough for messages: a key that is written in an unusual way has the line of its table.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

_PART = r"""(?:"[^"\n]*"|'[^'\n]*'|[A-Za-z0-9_-]+)"""
_NAME = rf"{_PART}(?:\s*\.\s*{_PART})*"
_TABLE = re.compile(rf"\s*\[\[?\s*({_NAME})\s*\]\]?")
_KEY = re.compile(rf"\s*({_NAME})\s*=\s*(.*)")
_ITEM = re.compile(r""""(?:[^"\\]|\\.)*"|'[^']*'|#.*|\]""")


def find_lines(text: str) -> dict[str, int]:
    r"""Return the line, from 1, of each dotted key, table and text in a list.

    A list's texts are counted from 1, as in messages.

    Examples
    --------
    >>> find_lines('title = "Wall"\nstages = [\n  "sizing",\n]\n[stage.sizing]\nppi = 3\n')
    {'title': 1, 'stages': 2, 'stages.1': 3, 'stage.sizing': 5, 'stage.sizing.ppi': 6}
    """
    found: dict[str, int] = {}
    table, listed, index = "", "", 0
    for number, line in enumerate(text.splitlines(), 1):
        rest = line
        if not listed:
            if match := _TABLE.match(line):
                table = _plain(match[1])
                found.setdefault(table, number)
                continue
            if not (match := _KEY.match(line)):
                continue
            key = ".".join(filter(None, [table, _plain(match[1])]))
            found.setdefault(key, number)
            if not match[2].startswith("["):
                continue
            listed, index, rest = key, 0, match[2][1:]
        for item in _ITEM.findall(rest):
            if item == "]":
                listed = ""
                break
            if not item.startswith("#"):
                index += 1
                found.setdefault(f"{listed}.{index}", number)
    return found


def find_line(lines: Mapping[str, int], key: str) -> int | None:
    """Return the line of a key, or of the table that it belongs to; None when neither is there."""
    while key:
        if key in lines:
            return lines[key]
        key = key.rpartition(".")[0]
    return None


def _plain(name: str) -> str:
    return ".".join(part.strip().strip("\"'") for part in re.findall(_PART, name))
