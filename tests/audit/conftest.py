"""A root with generated books, made once."""

import shutil

import pytest

from audit.generated import fill
from hotfolder.settings.root import Root

NUMBER = 1500


@pytest.fixture(scope="session")
def filled(tmp_path_factory):
    """A root of generated records; not to be changed."""
    path = tmp_path_factory.mktemp("books")
    (path / "destinations").mkdir()
    root = Root(path)
    fill(root.ledger, NUMBER, out=path / "out")
    return root


@pytest.fixture
def books(filled, tmp_path):
    """The same root, to be changed."""
    return Root(shutil.copytree(filled.path, tmp_path / "root"))
