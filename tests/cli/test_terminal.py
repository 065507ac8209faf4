"""What a terminal is shown of names and messages that strangers wrote."""

import io
import logging
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest
from rich.console import Console

from hotfolder import logs
from hotfolder.cli import audit as command
from hotfolder.cli import looking, status, terminal
from hotfolder.cli import main as cli
from hotfolder.ending.deliver import say_why
from hotfolder.errors import Problem, SettingsError, StorageError
from hotfolder.model.records import OriginalRecord, Reason, Record, WorkRecord
from hotfolder.work.comparison import Candidate
from model.test_records import record

HOSTILE = "reeds\x1b[2J\x9b\r\x08\u202e\u2066\ud800.tif"
"""Clears the screen, begins an escape in one byte, goes back, turns the direction of writing."""

SHOWN = r"reeds\x1b[2J\x9b\x0d\x08\u202e\u2066\ud800.tif"


@pytest.fixture
def screen(monkeypatch):
    """All that the commands print, to whichever console or to none."""
    written = io.StringIO()

    def console(**options):
        return Console(file=written, width=options.get("width", 400), force_terminal=False)

    monkeypatch.setattr("rich.console.Console", console)
    monkeypatch.setattr(terminal, "print_exactly", written.write)
    return written


def check_shown(text, *, lines=None):
    assert SHOWN in text
    assert [each for each in text if each != "\n" and not each.isprintable()] == []
    assert lines is None or lines == len(text.splitlines())


def test_the_end_of_a_job(screen):
    reason = Reason(stage="reading", code="not-whole", message=f"{HOSTILE}\n is not whole")
    ended = record(destination="canvas", source=f"{HOSTILE}\n", reasons=(reason,))
    cli._print_ended(terminal.make_plain_console(), ended)
    check_shown(screen.getvalue(), lines=2)


@pytest.mark.parametrize(
    "error",
    [
        StorageError(f"in/{HOSTILE} cannot be taken"),
        SettingsError([Problem(HOSTILE, "sizing", HOSTILE, "")]),
    ],
)
def test_an_error(screen, monkeypatch, error):
    def fail():
        raise error

    monkeypatch.setattr(cli, "app", fail)
    with pytest.raises(SystemExit):
        cli.main()
    check_shown(screen.getvalue())


def test_what_waits(screen):
    waiting = {
        "what": "stopped", "destination": "canvas", "file": HOSTILE, "share": 0.5, "columns": [],
        "why": f"{HOSTILE} failed\nReleased.", "since": "2026-01-01", "who": "you", "job": "",
    }  # fmt: skip
    destination = dict.fromkeys(
        ("arriving", "delivered", "held", "discarded", "refused", "left_alone", "unreachable",
         "unreachable_since", "watch", "rests_until"), ""
    )  # fmt: skip
    destination |= {"remarks": [HOSTILE], "settings_problem": HOSTILE}
    refused = {
        "destination": "canvas", "file": HOSTILE, "job": "", "reasons": [HOSTILE],
        "since": "2026-01-01", "folder": HOSTILE,
    }  # fmt: skip
    status._print_status({
        "root": HOSTILE, "served": False, "served_by": None, "served_since": "",
        "batches": [], "waiting": [waiting], "warned": [], "refused": [refused],
        "notify": [], "machines": [], "destinations": {"canvas": destination},
    })  # fmt: skip
    check_shown(screen.getvalue())
    assert r"failed\x0aReleased." in screen.getvalue()


def test_the_ranking_of_destinations(screen):
    found = [Candidate("canvas", "", None, "refused", (f"{HOSTILE}\n",))]
    looking._print_ranking(found, HOSTILE)
    check_shown(screen.getvalue())


def test_reasons_of_renderings_are_told_with_their_names(screen):
    found = [
        Candidate("canvas", "", None, "held", (reason, "Both."), rendering=rendering)
        for rendering, reason in (("refined", "One."), ("detail", "Two."))
    ]
    looking._print_renderings(found, "hotfolder strip a.tif --for canvas /desk")
    shown = screen.getvalue()
    assert "\nrefined: One.\nBoth.\ndetail: Two.\n" in shown
    assert "hotfolder strip a.tif --for canvas /desk --renderings refined,detail" in shown


def test_the_lines_of_the_audit(screen):
    terminal.print_lines([f"changed: {HOSTILE}\n"])
    check_shown(screen.getvalue(), lines=1)


def test_the_table_of_the_audit(screen):
    each = {
        "finished": "2026-01-01T00:00:00Z", "destination": "canvas", "was_held": False,
        "state": "held", "discarded_at": None, "name": HOSTILE, "share_lost": None,
        "share_out_of_gamut": None,
        "delta_e_p95": None, "delta_e_mean": None, "delta_e_max": None, "hues": HOSTILE,
    }  # fmt: skip
    command._print_pictures([each], 1)
    check_shown(screen.getvalue())


def test_the_bars_of_a_sweep():
    said = []
    progress = SimpleNamespace(
        add_task=lambda *_, **__: 1, update=lambda *_, description, **__: said.append(description)
    )
    row = SimpleNamespace(id="1", destination="canvas", source=HOSTILE)
    cli._show_progress(progress, {}, SimpleNamespace(progress=lambda: [(row, "reading", 0.1)]))
    check_shown(said[0], lines=1)


def test_why_txt():
    now = datetime.now(UTC)
    work = WorkRecord(
        original=OriginalRecord(name=HOSTILE, sha256=None, bytes=1),
        reasons=(Reason(stage="reading", code="not-whole", message=f"{HOSTILE}\nis not whole"),),
    )
    held = Record(
        **dict(work), job="1", destination="canvas", state="held", source=HOSTILE,
        original_kept="held/1/a.tif", attempts=1, arrived=now, finished=now, release=None,
        batch=None, placement=None,
    )  # fmt: skip
    check_shown(say_why(held))
    assert f"- {SHOWN}" + r"\x0ais not whole" in say_why(held)


def test_the_log_on_a_terminal(capsys):
    logs.set_up_logs(None, terminal=logs.Terminal.WORDS)
    try:
        logs.get_log().info("job.claimed", file=HOSTILE)
        logging.getLogger("hotfolder").handlers[0].flush()
    finally:
        logs.set_up_logs(None)
    said = capsys.readouterr().err
    assert "reeds" in said
    assert [each for each in said if each != "\n" and not each.isprintable()] == []
    assert 1 == len(said.splitlines())
