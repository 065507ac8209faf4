"""One destination whose settings are wrong: the others are served, and it is once it is right."""

from __future__ import annotations

import pytest

from faults.serving import CANVAS, daemon_of, serving, sweep
from faults.test_storage_faults import wait_for
from hotfolder.daemon.handing_out import HandingOut
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import read_jobs
from hotfolder.overview.new_root import make_root
from hotfolder.overview.status import collect
from hotfolder.settings.root import Root
from whole.conftest import drop, records, write_destination

OTHER = "prints"


@pytest.fixture
def two(small: Root) -> Root:
    settings = small.path / "hotfolder.toml"
    text = settings.read_text().replace('"0.1 s"', '"0 s"').replace('"0.3 s"', '"0 s"')
    settings.write_text(text)
    write_destination(small, name=OTHER)
    make_root(small.path)
    return small


def spoil(root):
    write_destination(root, name=OTHER, **{'surface = "canvas"': 'surface = "velvet"'})


def into_other(root, name="mud.tif", seed=2):
    dropped = drop(root, name, seed=seed, size=24)
    dropped.rename(root.path / "in" / OTHER / name)


@pytest.mark.whole
def test_a_sweep_serves_the_others_and_says_what_is_wrong(two, hotfolder):
    spoil(two)
    drop(two, "reeds.tif", size=24)
    done = hotfolder("sweep", two.path)
    assert (4, True) == (done.returncode, "velvet" in done.stderr)
    assert 1 == len(records(two))
    assert 4 == hotfolder("check", two.path).returncode
    for name in (CANVAS, OTHER):
        (two.destinations / f"{name}.toml").write_text("[medium")
    done = hotfolder("sweep", two.path)
    assert (4, True) == (done.returncode, "is not TOML" in done.stderr)


def test_a_sweep_ends_though_jobs_wait_for_a_destination_that_is_wrong(two, monkeypatch):
    into_other(two)
    daemon = daemon_of(two)

    def stop(self):  # claimed, not begun
        if self._ledger.open_jobs():
            daemon.stop()

    with monkeypatch.context() as patch:
        patch.setattr(HandingOut, "hand_out", stop)
        daemon.run()
    assert [OTHER] == [row.destination for row in read_jobs(two.ledger)]
    spoil(two)
    assert f"{OTHER}: 1 job waits" in "\n".join(sweep(two))
    assert "settings are corrected" in str(collect(two))
    (two.destinations / f"{OTHER}.toml").unlink()
    assert "put" in "\n".join(sweep(two))
    write_destination(two, name=OTHER)
    assert sweep(two) == []
    assert 1 == len(records(two, OTHER))


def test_a_wrong_file_that_is_put_right_is_served_by_the_daemon_that_runs(two):
    spoil(two)
    into_other(two)
    with serving(two):
        drop(two, "reeds.tif", size=24)
        wait_for(lambda: len(records(two)) == 1)
        write_destination(two, name=OTHER)
        drop(two, "wakes.tif", seed=5, size=24)
        wait_for(lambda: len(records(two, OTHER)) == 1)


def test_no_ledger_is_made_anew_while_settings_are_wrong_that_say_where_folders_are(two):
    into_other(two)
    assert sweep(two) == []
    two.ledger.unlink()
    spoil(two)
    with pytest.raises(StorageError, match="settings of prints are wrong"):
        sweep(two)
    write_destination(two, name=OTHER)
    assert sweep(two) == []
    assert 1 == len(records(two, OTHER))
