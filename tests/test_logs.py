"""The daemon's log where there is no room for it."""

from pathlib import Path

import pytest

from hotfolder import logs


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only Linux has a device that is full")
def test_a_line_that_finds_no_room_is_left_out_without_a_word(capfd):
    logs.set_up_logs(Path("/dev/full"), terminal=False)
    try:
        logs.get_log().error("storage.trouble", reason="no room")
    finally:
        logs.set_up_logs(None, terminal=False)
    assert ("", "") == capfd.readouterr()
