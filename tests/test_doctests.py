"""Every example in a docstring of the program and of its stages does what it says."""

import doctest
import importlib
import pkgutil
from types import ModuleType

import pytest

import hotfolder
import hotfolder_stages


def _modules() -> list[str]:
    found = []
    for package in (hotfolder, hotfolder_stages):
        found.append(package.__name__)
        found += [
            each.name for each in pkgutil.walk_packages(package.__path__, f"{package.__name__}.")
        ]
    return [name for name in found if not name.endswith("__main__")]


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
