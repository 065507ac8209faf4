"""What ``--help`` says, read by people who are no programmers."""

import re

import pytest

from commands import run_here
from hotfolder.cli.main import app

COMMANDS = [command.name or command.callback.__name__ for command in app.registered_commands]
COMMANDS = [name.replace("_", "-") for name in COMMANDS]
PARTS = ["service install", "service status", "service logs", "service remove"]


def ask(*words):
    done = run_here(*words, "--help")
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_list_of_commands_cuts_no_sentence():
    for group in ((), ("service",)):
        listed = ask(*group).partition("Commands:")[2]
        assert listed
        assert "..." not in listed


@pytest.mark.parametrize("command", [*COMMANDS, *PARTS])
def test_no_option_shows_a_type_of_the_language_it_is_written_in(command):
    said = ask(*command.split()).partition("Options:")[2]
    assert re.findall(r"<(?:list\[|str|int|float|path)[^|>]*>", said) == []


def test_exit_codes_are_told():
    said = " ".join(ask().split())
    assert "Exit codes" in said
    assert "3 something was held, refused or not understood" in said
