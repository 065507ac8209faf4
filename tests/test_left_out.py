"""A missing tool leaves tests out with a reason, and where CI is set it fails them."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tools import PACKAGES, path_of

TOP = Path(__file__).parents[1]
NEEDS_EXIFTOOL = "tests/raster/test_writing.py::test_exiftool_calls_a_bigtiff_one"
SAID = "needs exiftool (Debian: apt-get install libimage-exiftool-perl)"
CI_RUN = (TOP / ".ci" / "run").read_text()


@pytest.mark.slow
def test_a_test_whose_tool_is_missing_is_left_out_and_the_end_says_why(tmp_path):
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    kept.pop("CI", None)
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", NEEDS_EXIFTOOL],
        cwd=TOP,
        env=kept | {"PATH": str(tmp_path)},
        capture_output=True,
        check=False,
        text=True,
    )
    assert done.returncode == 0, done.stdout
    last_but_one, last = done.stdout.splitlines()[-2:]
    assert last_but_one == f"1 test left out: 1 {SAID}"
    assert last.startswith("1 skipped in ")


def test_where_ci_is_set_it_fails_instead(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception) as failed:
        path_of("exiftool")
    assert failed.value.msg.startswith(f"{SAID}; where CI is set")


def test_ci_says_that_it_is_ci_and_installs_every_tool():
    assert "\nexport CI=true" in CI_RUN
    packages = re.search(r"\npackages=\((.*?)\)", CI_RUN, re.DOTALL)[1].split()
    assert dict(each.split(":") for each in packages) == PACKAGES


@pytest.mark.parametrize(
    ("last_line", "passes"),
    [
        ("3 passed in 1.00s", True),
        ("1 failed, 30 passed in 1.00s", True),  # that one failed says the exit code
        ("no tests ran in 0.01s", False),
        ("5 skipped in 0.01s", False),
        ("5 deselected in 0.01s", False),
    ],
)
def test_ci_fails_when_no_test_ran(last_line, passes):
    pattern = re.search(r"grep -qE '(.*passed)'", CI_RUN)[1]
    assert bool(re.search(pattern, last_line)) == passes
