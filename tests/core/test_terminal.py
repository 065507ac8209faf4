"""What a terminal is shown of names and messages that strangers wrote."""

import io

from rich.console import Console

from hotfolder.cli import _print_ended

HOSTILE = "reeds\x1b[2J\n\u202e.tif"


def test_a_name_or_a_message_cannot_steer_the_terminal():
    written = io.StringIO()
    record = {
        "state": "held",
        "destination": "canvas",
        "source": HOSTILE,
        "results": [],
        "reasons": [{"message": f"{HOSTILE} is not whole"}],
    }
    _print_ended(Console(file=written, width=200, force_terminal=False), record)
    shown = written.getvalue()
    assert 2 == len(shown.splitlines())
    assert "\x1b" not in shown
    assert "\u202e" not in shown
    assert r"reeds\x1b[2J\x0a\u202e.tif is not whole" in shown
