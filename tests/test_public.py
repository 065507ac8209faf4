"""What stages may import is what the public rooms export: no more, no less, and documented."""

import ast
import importlib
import inspect
import re
import textwrap
from pathlib import Path

import pytest
from numpydoc.docscrape import FunctionDoc

TOP = Path(__file__).parents[1]
ROOMS = ("hotfolder", "hotfolder.colour", "hotfolder.pages", "hotfolder.testing")
STAGES = sorted((TOP / "plugins").rglob("*.py"))
OUTSIDERS = [
    *sorted(
        path
        for of in (TOP / "examples").glob("*/pyproject.toml")
        for path in of.parent.rglob("*.py")
    ),
    TOP / "tests" / "typing" / "outsider.py",
]


def imports_of(paths):
    """What modules import from hotfolder: (room, name), as they are written."""
    found = set()
    for path in paths:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                found |= {(each.name, "") for each in node.names}
            elif isinstance(node, ast.ImportFrom) and not node.level:
                found |= {(node.module, each.name) for each in node.names}
    return {(room, name) for room, name in found if room.partition(".")[0] == "hotfolder"}


def exported():
    return {(room, name) for room in ROOMS for name in importlib.import_module(room).__all__}


@pytest.mark.parametrize("paths", [STAGES, OUTSIDERS], ids=["built-in stages", "outsiders"])
def test_stages_import_only_what_is_exported(paths):
    assert paths
    assert imports_of(paths) - exported() == set()


def test_nothing_is_exported_that_no_stage_and_no_test_of_one_needs():
    tests = sorted((TOP / "tests" / "stages").glob("*.py"))
    assert exported() - imports_of([*STAGES, *OUTSIDERS, *tests]) == set()


@pytest.mark.parametrize("room", ROOMS)
def test_exports_are_sorted_and_there(room):
    module = importlib.import_module(room)
    names = module.__all__
    order = sorted(names, key=lambda name: (not name.isupper(), not name[0].isupper(), name))
    assert order == list(names)
    assert all(hasattr(module, name) for name in names)


def things():
    """Exported classes and functions."""
    for room, name in sorted(exported()):
        thing = getattr(importlib.import_module(room), name)
        if inspect.isclass(thing) or inspect.isroutine(thing) or hasattr(thing, "__wrapped__"):
            yield pytest.param(thing, id=f"{room}.{name}")


SECTION = re.compile(
    r"^(Parameters|Returns|Yields|Raises|Notes|Examples|See Also|Attributes|References)\n-{4,}$",
    re.MULTILINE,
)


@pytest.mark.parametrize("thing", list(things()))
def test_every_export_is_documented_in_sections(thing):
    text = inspect.getdoc(thing) or ""
    assert len(text.splitlines()[0]) > 10, text
    if not has_documented_fields(thing):
        assert SECTION.search(text), f"no section of numpydoc in: {text}"


def has_documented_fields(thing):
    """Whether a class has fields, and a text under each."""
    if not inspect.isclass(thing):
        return False
    (node,) = ast.parse(textwrap.dedent(inspect.getsource(thing))).body
    fields = [
        number
        for number, each in enumerate(node.body)
        if (isinstance(each, ast.AnnAssign) and not each.target.id.startswith("_"))
        or (isinstance(each, ast.Assign) and each.targets[0].id.isupper())
    ]
    texts = [
        each and isinstance(each, ast.Expr) and isinstance(each.value, ast.Constant)
        for each in ((*node.body, None)[number + 1] for number in fields)
    ]
    return bool(fields) and all(texts)


def functions():
    """Exported functions, and the methods that exported classes define."""
    for room, name in sorted(exported()):
        thing = getattr(importlib.import_module(room), name)
        if not inspect.isclass(thing):
            found = {"": inspect.unwrap(thing)} if callable(thing) else {}
        else:
            found = {
                f".{key}": getattr(each, "__func__", each) for key, each in vars(thing).items()
            }
        for key, function in found.items():
            if inspect.isfunction(function) and not key.startswith("._"):
                yield pytest.param(function, id=f"{room}.{name}{key}")


@pytest.mark.parametrize("function", list(functions()))
def test_parameters_and_what_is_returned_are_documented(function):
    said, signature = FunctionDoc(function), inspect.signature(function)
    documented = [
        name.strip().lstrip("*") for each in said["Parameters"] for name in each.name.split(",")
    ]
    taken = [name for name in signature.parameters if name not in {"self", "cls"}]
    assert sorted(taken) == sorted(documented)
    returns = signature.return_annotation
    assert returns is not inspect.Signature.empty
    assert bool(said["Returns"] or said["Yields"]) or returns in (None, "None")
