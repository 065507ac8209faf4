"""The command from its first moment."""

from __future__ import annotations

import signal
import subprocess
import sys
import tomllib
from importlib.metadata import version
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]


def test_ctrl_c_while_modules_load_is_quiet():
    code = "import hotfolder_command; hotfolder_command.main()"
    with subprocess.Popen(
        [sys.executable, "-X", "importtime", "-c", code, "status", "nowhere"],
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        said = []
        for line in process.stderr:
            said.append(line)
            if "typer" in line:
                process.send_signal(signal.SIGINT)
                break
        said += process.stderr
    assert 130 == process.returncode
    assert "Traceback" not in "".join(said)


def test_the_installed_command_is_that_one():
    scripts = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]["scripts"]
    assert {"hotfolder": "hotfolder_command:main"} == scripts


HEAVY = (
    "PIL", "cryptography", "dask", "distributed", "hotfolder_stages", "imagecodecs", "jinja2",
    "numba", "numpy", "pydantic", "rich", "scipy", "sqlite3", "structlog", "tifffile", "watchdog",
)  # fmt: skip
CODECS = (
    "OpenImageIO",
    "PIL",
    "hotfolder.raster.reading",
    "jinja2",
    "numba",
    "structlog",
    "tifffile.tifffile",
)


@pytest.mark.parametrize(
    ("module", "left_out"),
    [("hotfolder.cli.main", HEAVY), ("hotfolder.work.worker", CODECS[1:4])],
)
def test_a_start_does_not_load_what_it_may_not_need(module, left_out):
    code = f"import sys, {module}\nprint([each for each in {left_out} if each in sys.modules])"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "[]" == said.stdout.strip()


def test_the_version_is_said():
    code = "import hotfolder_command; hotfolder_command.main()"
    said = subprocess.run(
        [sys.executable, "-c", code, "--version"], capture_output=True, text=True, check=True
    )
    assert f"hotfolder {version('hotfolder')}\n" == said.stdout


PAGES = ("PIL", "jinja2", "numba", "rich", "scipy.ndimage", "scipy.optimize", "scipy.special",
         "scipy.stats", "tifffile.tifffile")  # fmt: skip
"""What a command that reads settings and says a few lines needs nothing of."""


def test_a_command_that_reads_settings_does_not_load_what_makes_pictures_and_pages(root):
    code = f"""
import sys
from hotfolder.cli import main
main.app(["status", {str(root.path)!r}], standalone_mode=False)
print([each for each in {PAGES} if each in sys.modules])
"""
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "[]" == said.stdout.splitlines()[-1]
