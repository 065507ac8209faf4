"""The command from its first moment."""

from __future__ import annotations

import signal
import subprocess
import sys
import tomllib
from pathlib import Path

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
            if "numpy" in line:
                process.send_signal(signal.SIGINT)
                break
        said += process.stderr
    assert 130 == process.returncode
    assert "Traceback" not in "".join(said)


def test_the_installed_command_is_that_one():
    scripts = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]["scripts"]
    assert {"hotfolder": "hotfolder_command:main"} == scripts
