"""The Tab key completes commands, options and destinations, in the shells that are here."""

import os
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from hotfolder.cli.completing import know_shells
from hotfolder.cli.main import app

SHELLS = ("bash", "zsh", "fish")


def complete(monkeypatch, line):
    """What the program answers when a shell asks it by the script that `completion` prints."""
    words = line.split(" ")
    monkeypatch.setenv("_HOTFOLDER_COMPLETE", "complete_bash")
    monkeypatch.setenv("COMP_WORDS", line)
    monkeypatch.setenv("COMP_CWORD", str(len(words) - 1))
    know_shells()
    done = CliRunner().invoke(app, prog_name="hotfolder")
    return done.stdout.split()


@pytest.fixture
def desk(tmp_path):
    (tmp_path / "destinations").mkdir()
    for name in ("fine-art-canvas", "book-pages", "web"):
        (tmp_path / "destinations" / f"{name}.toml").touch()
    return tmp_path


def test_commands_and_options_are_completed(monkeypatch):
    assert complete(monkeypatch, "hotfolder sta") == ["status", "stages"]
    assert complete(monkeypatch, "hotfolder status --js") == ["--json"]
    assert complete(monkeypatch, "hotfolder completion z") == ["zsh"]


def test_destinations_are_those_of_the_root_that_was_typed_or_of_this_folder(monkeypatch, desk):
    asked = f"hotfolder proof reeds.tif {desk} --for "
    assert complete(monkeypatch, asked) == ["book-pages", "fine-art-canvas", "web"]
    assert complete(monkeypatch, f"{asked}fi") == ["fine-art-canvas"]
    monkeypatch.chdir(desk)
    assert complete(monkeypatch, "hotfolder audit --destination b") == ["book-pages"]


def test_without_a_root_there_is_nothing_to_complete(monkeypatch, tmp_path):
    assert complete(monkeypatch, f"hotfolder proof reeds.tif {tmp_path} --for ") == []


@pytest.mark.parametrize("shell", SHELLS)
def test_the_script_asks_the_program(shell):
    done = CliRunner().invoke(app, ["completion", shell])
    assert done.exit_code == 0
    assert f"_HOTFOLDER_COMPLETE=complete_{shell}" in done.stdout


@pytest.mark.slow
def test_bash_takes_it(tmp_path, desk):
    tool = tmp_path / "bin" / "hotfolder"
    tool.parent.mkdir()
    tool.write_text(f'#!/bin/sh\nexec {sys.executable} -c "{START}" "$@"\n')
    tool.chmod(0o755)
    script = f"""
    source <(hotfolder completion bash)
    COMP_WORDS=(hotfolder proof reeds.tif {desk} --for fi) COMP_CWORD=5
    _hotfolder_completion hotfolder
    echo "${{COMPREPLY[@]}}"
    """
    done = subprocess.run(
        ["bash", "--norc", "-c", script],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PATH": f"{tool.parent}:{os.environ['PATH']}"},
    )
    assert done.stdout == "fine-art-canvas\n", done.stderr


START = "import sys; sys.argv[0] = 'hotfolder'; from hotfolder_command import main; main()"
