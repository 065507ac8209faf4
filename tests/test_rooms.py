"""The rooms of the program: what one must not know of another, beyond what imports show."""

import ast
import re
from pathlib import Path

import pytest

import hotfolder
from hotfolder.model.records import SHEET
from hotfolder.stages.registry import load_registry

CORE = Path(hotfolder.__file__).parent
STAGES = load_registry().stages
ROOMS = {stage.__module__.split(".")[1] for stage in STAGES.values()}
NAMES = sorted({*STAGES, *ROOMS, "hotfolder_stages"})
NAMED = re.compile(rf"(?<![\w.-])({'|'.join(map(re.escape, NAMES))})(?![\w-])")
IDENTIFIERS = {each for each in NAMES if "_" in each} | {each.__name__ for each in STAGES.values()}

MAY = {
    # what records of versions before facts have in them: these are read for ever
    "model/earlier_findings.py": {
        "gamut-check", "ink-check", "neutral-check", "page-balance", "preflight",
    },
    # a kind of attachment, which is no stage's name: it is one of four in the schema of records and
    # a file's name in held folders, so a stage that declared it would change the format of both
    "model/records.py": {SHEET},
}  # fmt: skip
"""What records that were written hold a module to. Docstrings may name any stage."""


def named_in(text):
    """Stages that a module names: in string literals but docstrings, or as its own names."""
    tree = ast.parse(text)
    documents = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    found = set()
    for node in ast.walk(tree):
        match node:
            case ast.Constant(value=str(said)) if id(node) not in documents:
                found |= set(NAMED.findall(said))
            case ast.Name(id=name) | ast.Attribute(attr=name) | ast.alias(name=name):
                found |= IDENTIFIERS & set(name.split("."))
            case ast.ImportFrom(module=str(module)):
                found |= IDENTIFIERS & set(module.split("."))
    return found


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ('x = f["gamut-check"]', {"gamut-check"}),
        ('x = f"sizing.long_edge={y}"', {"sizing"}),
        ('"""As `gamut-check` does."""\nx = "no-gamut-check"', set()),
        ('x = "python -m hotfolder.settings.reference"', set()),
        ('x = "hotfolder_stages.gamut_check"', {"hotfolder_stages"}),
        ('load("gamut_check")', {"gamut_check"}),
        ("import hotfolder_stages.sizing", {"hotfolder_stages"}),
        ("from hotfolder_stages.sizing import Sizing", {"hotfolder_stages", "Sizing"}),
        ("x = findings.gamut_check", {"gamut_check"}),
    ],
)
def test_names_are_found_in_code_and_not_in_docstrings(text, found):
    assert found == named_in(text)


def test_no_room_of_the_core_names_a_stage():
    found = {
        path.relative_to(CORE).as_posix(): names
        for path in sorted(CORE.rglob("*.py"))
        if (names := named_in(path.read_text("utf-8")))
    }
    assert found == MAY
