"""Tools of the system that some tests need: where a machine lacks one, they are left out.

A library from the registry is the better second reader: `second_readers` has those. Continuous
integration sets ``CI``; there a missing tool fails the test that needs it, so that none is left
out for good without anybody's knowing.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Final

import pytest

PACKAGES = {
    "exiftool": "libimage-exiftool-perl",
    "tiffcp": "libtiff-tools",
    "chromium": "chromium",
    "chromedriver": "chromium-driver",
    "mkfs.ext4": "e2fsprogs",
    "bindfs": "bindfs",
    "npm": "npm",
}
"""Debian's package of every tool that a test may ask for; `.ci/run` installs them all."""


def path_of(tool: str) -> str:
    """Where a tool is; skips the test that asks for one that is not there.

    Parameters
    ----------
    tool
        A key of `PACKAGES`.

    Returns
    -------
    str
        The path of its program.
    """
    found = shutil.which(tool)
    if found is not None:
        return found
    why = f"needs {tool} (Debian: apt-get install {PACKAGES[tool]})"
    if os.environ.get("CI"):
        pytest.fail(f"{why}; where CI is set no test is left out for that", pytrace=False)
    pytest.skip(why)


def needs_tool(tool: str) -> pytest.MarkDecorator:
    """Mark a test that needs a tool; `conftest` looks for it before the test's fixtures run."""
    assert tool in PACKAGES
    return pytest.mark.needs_tool(tool)


AXE: Final = "AXE_CORE"
"""Environment variable with the path of axe.min.js, of npm's package axe-core."""


def read_axe() -> str:
    """Read the script that finds what keeps people out of a page; skips without it.

    Returns
    -------
    str
        Its text.
    """
    path = os.environ.get(AXE)
    if path:
        return Path(path).read_text("utf-8")
    why = f"needs axe-core (npm install axe-core; {AXE}=.../node_modules/axe-core/axe.min.js)"
    if os.environ.get("CI"):
        pytest.fail(f"{why}; where CI is set no test is left out for that", pytrace=False)
    pytest.skip(why)
