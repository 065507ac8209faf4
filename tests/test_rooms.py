"""The rooms of the program: what one must not know of another, beyond what imports show."""

import ast
import re
from pathlib import Path

import pytest

import hotfolder
from hotfolder.model.records import SHEET
from hotfolder.stages.registry import load_registry

CORE = Path(hotfolder.__file__).parent
NAMES = sorted(load_registry().stages)
NAMED = re.compile(rf"(?<![\w-])({'|'.join(map(re.escape, NAMES))})(?![\w-])")

MAY = {
    # what records of before there were facts have in them
    "model/earlier_findings.py": {
        "gamut-check", "ink-check", "neutral-check", "page-balance", "preflight",
    },
    # a kind of attachment, in records and as a file's name, which is no stage's name
    "model/records.py": {SHEET},
    # an example in a message, of what a person may write
    "ending/release.py": {"sizing"},
    # the name of its own module, in the command that writes the page
    "settings/reference.py": {"reference"},
    # not done yet: the strip and the comparison still run stages of their own by name
    "work/strip.py": {
        "strip-places", "strip-sheet", "tagging", "proof-sheet", "profile-conversion",
    },
    "work/comparison.py": {"proof-sheet"},
}  # fmt: skip
"""Stages that a module may name, and why. Docstrings may name any."""


def named_in(text):
    """Names of stages in a module's string literals, docstrings left out."""
    tree = ast.parse(text)
    documents = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    return {
        name
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
        if id(node) not in documents
        for name in NAMED.findall(node.value)
    }


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ('x = f["gamut-check"]', {"gamut-check"}),
        ('x = f"sizing.long_edge={y}"', {"sizing"}),
        ('"""As `gamut-check` does."""\nx = "no-gamut-check"', set()),
    ],
)
def test_names_are_found_in_literals_only(text, found):
    assert found == named_in(text)


def test_the_core_names_no_stage():
    found = {
        path.relative_to(CORE).as_posix(): names
        for path in sorted(CORE.rglob("*.py"))
        if (names := named_in(path.read_text("utf-8")))
    }
    assert found == MAY
