"""Faults of the table in DEVELOPERS.md, each as it says, where no other test is about just it."""

import io
import json
import os
import random
import shutil
import struct
import subprocess

import numpy as np
import pytest
import tifffile
from PIL import Image

from faults.killing import check_books, check_chain, copied, dropped_hashes, sweep_in_child
from faults.serving import CANVAS, daemon_of, run_attempt, serving, sweep
from faults.test_storage_faults import mount, needs_mounts, wait_for
from hotfolder.disk import platforms
from hotfolder.errors import RootInUse
from hotfolder.ledger.jobs import State, read_jobs
from hotfolder.ledger.lock import served_alone
from hotfolder.ledger.record_log import LOG_FILE
from hotfolder.logs import set_up_logs
from hotfolder.overview.new_root import make_root
from hotfolder.settings.root import Root
from whole.conftest import drop, files, records


def test_a_second_daemon_refuses_and_names_the_first(quick):
    drop(quick, "mud.tif", size=24)
    with served_alone(quick), pytest.raises(RootInUse, match=f"by process {os.getpid()} since"):
        daemon_of(quick).run(until_idle=True)
    assert [f"{CANVAS}/mud.tif"] == files(quick.path / "in")
    assert sweep(quick) == []


def with_file(root):
    drop(root, "mud.tif", size=24)
    return root


def test_a_copied_root_does_not_write_where_the_one_it_is_a_copy_of_is_served(quick, tmp_path):
    acts = sweep_in_child(with_file(copied(quick, tmp_path / "counted")))
    file, out = quick.destinations / f"{CANVAS}.toml", tmp_path / "share"
    file.write_text(f'{file.read_text()}[folders]\nresults = "{out}"\n')
    out.mkdir()
    make_root(quick.path)
    # under way when it was copied: both would deliver it
    assert sweep_in_child(with_file(quick), len(acts) // 2, after=True) is None
    assert 1 == len(read_jobs(quick.ledger))
    copy = Root(tmp_path / "copy")
    shutil.copytree(quick.path, copy.path)
    with serving(quick):
        wait_for(lambda: len(read_jobs(quick.ledger, ended=True)) == 1)
        daemon = daemon_of(copy)
        daemon.run(until_idle=True)
        assert any("another root is served" in each for each in daemon.troubles())
        drop(quick, "reeds.tif", seed=2, size=24)
        wait_for(lambda: len(read_jobs(quick.ledger, ended=True)) == 2)
    assert ["mud.tif", "reeds.tif"] == files(out)
    check_chain(out / LOG_FILE)
    assert sweep(copy) == []
    assert ["mud.tif", "reeds.tif"] == files(out)
    check_chain(out / LOG_FILE)


def test_files_that_were_there_before_the_start_are_found_by_a_daemon_that_watches(quick):
    drop(quick, "mud.tif", size=24)
    drop(quick, "spring tide/reeds.tif", seed=2, size=24)
    with serving(quick):
        wait_for(lambda: len(records(quick)) == 2)
    assert ["delivered", "delivered"] == [record["state"] for record in records(quick)]


def test_the_same_bytes_under_another_name_are_processed_and_the_record_names_the_twin(quick):
    first = drop(quick, "mud.tif", size=24).read_bytes()
    assert sweep(quick) == []
    drop(quick, "other.tif", seed=2, size=24)
    (quick.path / "in" / CANVAS / "twin.tif").write_bytes(first)
    assert sweep(quick) == []
    by_name = {record["source"]: record for record in records(quick)}
    assert {"delivered"} == {record["state"] for record in by_name.values()}
    assert [by_name["mud.tif"]["job"]] == by_name["twin.tif"]["same_original"]
    assert [] == by_name["mud.tif"]["same_original"] == by_name["other.tif"]["same_original"]


# what is not whole


def whole_files(icc):
    pixels = np.random.default_rng(1).integers(0, 65535, (40, 40, 3), np.uint16)
    for compression in (None, "zlib"):
        out = io.BytesIO()
        tifffile.imwrite(
            out, pixels, photometric="rgb", compression=compression, metadata=None, iccprofile=icc
        )
        yield f"{compression}.tif", out.getvalue()
    for kind in ("jpeg", "png"):
        out = io.BytesIO()
        Image.fromarray(np.uint8(pixels >> 8)).save(out, kind.upper(), icc_profile=icc)
        yield f"a.{kind}", out.getvalue()


def test_what_is_truncated_zero_tailed_empty_or_sparse_is_never_delivered_and_is_kept(quick):
    folder = quick.path / "in" / CANVAS
    for name, data in whole_files((quick.profiles / "srgb.icc").read_bytes()):
        for share in (0.999, 0.9, 0.5, 0.05):
            there = int(len(data) * share)
            (folder / f"cut {share} {name}").write_bytes(data[:there])
            # of uncompressed rows, a few that are zero at the end are taken for black ones
            if name != "None.tif" or share <= 0.5:
                (folder / f"zeros {share} {name}").write_bytes(data[:there].ljust(len(data), b"\0"))
        (folder / f"empty {name}").touch()
        with (folder / f"sparse {name}").open("wb") as file:
            file.write(data[:100])
            file.truncate(2**25)
    dropped = dropped_hashes(folder)
    assert 38 == len(dropped)
    assert sweep(quick) == []
    check_books(quick, dropped)
    said = {record["source"]: (record["state"], record["reasons"]) for record in records(quick)}
    assert [] == [name for name, (state, _) in said.items() if state == "delivered"]
    codes = {reason["code"] for _, reasons in said.values() for reason in reasons}
    assert codes <= {"not-whole", "perhaps-not-whole", "damaged", "unsupported"}


# broken inside


def with_profile(profile):
    out = io.BytesIO()
    pixels = np.zeros((8, 8, 3), np.uint16)
    tifffile.imwrite(out, pixels, photometric="rgb", metadata=None, iccprofile=profile)
    return out.getvalue()


def broken_tiffs():
    data = with_profile(None)
    (first,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, first)
    after = first + 2 + 12 * count
    yield (
        "directory that follows itself",
        data[:after] + struct.pack("<I", first) + data[after + 4 :],
    )
    yield "absurd number of tags", data[:first] + b"\xff\xff" + data[first + 2 :]
    yield "absurd number of values", data[: first + 6] + b"\xff" * 4 + data[first + 10 :]
    yield "directory outside", data[:4] + b"\xff" * 4 + data[8:]


def broken_profiles(profile):
    rng = random.Random(1)
    yield "noise", rng.randbytes(3000)
    yield "size", struct.pack(">I", 2**31) + profile[4:]
    yield "no tags", profile[:128] + bytes(4)
    yield "absurd number of tags", profile[:128] + b"\xff" * 4 + profile[132:]
    yield "another space", profile[:16] + b"CMYK" + profile[20:]
    yield "cut", profile[: len(profile) // 2]


def test_bad_profiles_loops_and_absurd_counts_cost_no_attempt_and_are_said(quick):
    folder = quick.path / "in" / CANVAS
    for name, data in broken_tiffs():
        (folder / f"{name}.tif").write_bytes(data)
    for name, profile in broken_profiles((quick.profiles / "srgb.icc").read_bytes()):
        (folder / f"profile {name}.tif").write_bytes(with_profile(profile))
    dropped = dropped_hashes(folder)
    assert sweep(quick) == []
    check_books(quick, dropped)
    said = {record["source"]: record for record in records(quick)}
    assert 10 == len(said)
    assert {"held", "refused"} == {record["state"] for record in said.values()}
    assert [] == [name for name, each in said.items() if each["attempts"] != 1]
    codes = {reason["code"] for record in said.values() for reason in record["reasons"]}
    assert not codes & {"work-failed", "stage-failed"}


def test_controls_and_markup_in_a_name_are_one_line_in_the_log_and_text_in_the_page(quick):
    name = "<script>x()\x1b[2J\n\u202e.tif"
    drop(quick, name, profile=False, size=24)
    set_up_logs(quick.log, terminal=False)
    try:
        assert sweep(quick) == []
    finally:
        set_up_logs(None, terminal=False)
    shown = r"<script>x()\x1b[2J\x0a\u202e.tif"
    events = [json.loads(line) for line in quick.log.read_bytes().splitlines()]
    assert quick.log.read_bytes().isascii()
    assert [shown, shown] == [each["file"] for each in events if "file" in each]
    (record,) = records(quick)
    assert shown == record["source"]
    page = (quick.path / "held" / CANVAS / "index.html").read_text()
    assert "<script>x()" not in page
    assert "&lt;script&gt;x()" in page
    assert [] == [each for each in page if not each.isprintable() and each != "\n"]


# one job that uses everything up


STAGE = """
import mmap, os
from hotfolder import Stage, StageSettings
class Settings(StageSettings):
    how: str
class Greedy(Stage[Settings]):
    name = 'greedy'
    Settings = Settings
    def open(self, raster, job):
        self.folder, self.name_of_file = job.folder, job.original.name
        return raster
    def bands(self, bands):
        for band in bands:
            if self.settings.how == 'mapped':
                with open(self.folder / 'hole', 'w+b') as file:
                    file.truncate(4096)
                    pages = mmap.mmap(file.fileno(), 4096)
                    file.truncate(0)  # no room behind a page: what a full disk says to a mapping
                    pages[0] = 1
            if self.settings.how == 'disk' and self.name_of_file == 'greedy.tif':
                with open(self.folder / 'all of it', 'wb') as file:
                    while True:
                        file.write(bytes(2**16))
            yield band
"""


@pytest.fixture
def greedy(quick):
    """How a job uses everything up."""

    def make(how):
        quick.plugins.mkdir(exist_ok=True)
        (quick.plugins / "greedy.py").write_text(STAGE)
        path = quick.destinations / f"{CANVAS}.toml"
        text = path.read_text().replace('["profile-conversion"]', '["greedy"]')
        limits = "[limits]\nattempts = 1\n"
        path.write_text(f'{text}\n{limits}[stage.greedy]\nhow = "{how}"\n')
        drop(quick, "greedy.tif", size=24)
        return quick

    return make


def test_a_page_that_has_no_room_behind_it_is_one_failed_attempt(greedy):
    root = greedy("mapped")
    assert sweep(root, run_attempt) == []
    (record,) = records(root)
    assert ("held", 1) == (record["state"], record["attempts"])
    assert "SIGBUS" in record["reasons"][0]["message"]


@needs_mounts
def test_a_job_that_fills_the_disk_of_all_waits_and_leaves_the_others_their_room(
    greedy, monkeypatch
):
    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.05,))
    root = greedy("disk")
    settings = root.path / "hotfolder.toml"
    settings.write_text(settings.read_text().replace('"500 MiB"', '"1 MiB"'))
    for number in range(3):
        drop(root, f"{number}.tif", seed=number, size=24)
    mount(root.private)
    try:
        (said,) = sweep(root)
        assert "no room for the result" in said
        assert ["delivered"] * 3 == [record["state"] for record in records(root)]
        (row,) = (row for row in read_jobs(root.ledger) if not row.state.is_end)
        assert (State.CLAIMED, 0) == (row.state, row.attempts)
        assert platforms.free_bytes(root.spool) > 6 * 2**20
    finally:
        subprocess.run(["umount", "-l", root.private], check=True)
