"""The daemon's log where there is no room for it."""

import json
import re
from pathlib import Path

import pytest

from hotfolder import logs


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only Linux has a device that is full")
def test_a_line_that_finds_no_room_is_left_out_without_a_word(capfd):
    logs.set_up_logs(Path("/dev/full"))
    try:
        logs.get_log().error("storage.trouble", reason="no room")
    finally:
        logs.set_up_logs(None)
    assert ("", "") == capfd.readouterr()


def test_on_a_terminal_events_are_said_in_words(capfd):
    logs.set_up_logs(None, terminal=logs.Terminal.WORDS)
    try:
        log = logs.get_log()
        log.info("job.claimed", job="j-1", destination="canvas", file="mud\n.tif")
        log.info("batch.file", file="not for people")
        log.info(
            "job.ended", job="j-1", destination="canvas", file="mud.tif", state="held",
            result="", size="", reasons=["12 % is lost."], warnings=["No profile."],
        )  # fmt: skip
        log.error("storage.trouble", about="x", reason="the disk is full")
        log.warning("pages.not_written", destination="canvas", reason="no room")
    finally:
        logs.set_up_logs(None)
    said = capfd.readouterr().err
    lines = [line.strip() for line in said.splitlines()]
    assert 7 == len(lines), said
    assert re.fullmatch(r"\d\d:\d\d  arrived    canvas: mud\\x0a\.tif", lines[0])
    assert lines[1].endswith("held       canvas: mud.tif")
    assert ["12 % is lost.", "To be looked at: No profile."] == lines[2:4]
    assert "For you to decide: job j-1; its why.txt says how" == lines[4]
    assert lines[5].endswith("stopped    the disk is full")
    assert lines[6].endswith("pages not written: no room")


def test_elsewhere_they_are_lines_of_json(capfd):
    logs.set_up_logs(None, terminal=logs.Terminal.JSON)
    try:
        logs.get_log().info("job.claimed", job="j-1", file="mud.tif")
    finally:
        logs.set_up_logs(None)
    (line,) = capfd.readouterr().err.splitlines()
    assert ("job.claimed", "j-1") == tuple(json.loads(line)[key] for key in ("event", "job"))
