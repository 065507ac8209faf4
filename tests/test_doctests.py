"""Every example in a docstring of the program and of its stages does what it says."""

import doctest
import importlib
from pathlib import Path
from types import ModuleType

import pytest

import hotfolder
import hotfolder_stages


def _modules() -> list[str]:
    """Those in whose text an example begins; no others are loaded."""
    return [
        ".".join(path.relative_to(top.parent).with_suffix("").parts).removesuffix(".__init__")
        for top in (Path(each.__path__[0]) for each in (hotfolder, hotfolder_stages))
        for path in sorted(top.rglob("*.py"))
        if ">>> " in path.read_text("utf-8")
    ]


def _tests_of(module: ModuleType) -> list[doctest.DocTest]:
    finder = doctest.DocTestFinder(exclude_empty=True)
    return [each for each in finder.find(module) if each.examples]


WITH_EXAMPLES = [name for name in _modules() if _tests_of(importlib.import_module(name))]


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_examples_do_what_they_say(name: str):
    said: list[str] = []
    runner = doctest.DocTestRunner(verbose=False)
    for each in _tests_of(importlib.import_module(name)):
        runner.run(each, out=said.append)
    assert "" == "".join(said)


def test_some_modules_have_examples():
    assert "hotfolder.pages.words" in WITH_EXAMPLES
