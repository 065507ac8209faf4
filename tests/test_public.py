"""What a stage's author may import is exactly what `hotfolder` exports, sorted."""

import types

import hotfolder


def test_exports_are_sorted_and_are_all_there_is():
    public = sorted(
        name
        for name, value in vars(hotfolder).items()
        if not name.startswith("_") and not isinstance(value, types.ModuleType)
    )
    assert public == list(hotfolder.__all__)


def test_every_export_has_a_docstring():
    kinds = [getattr(hotfolder, name) for name in hotfolder.__all__]
    bare = [kind for kind in kinds if isinstance(kind, type) and not kind.__doc__]
    assert bare == []
