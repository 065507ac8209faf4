"""File systems, by what the system's tables say."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from hotfolder.disk import mounts

linux_only = pytest.mark.skipif(sys.platform != "linux", reason="what only Linux promises")

MOUNT_TABLE = r"""
22 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw
23 22 0:21 / /proc rw - proc proc rw
30 22 0:40 / /srv/pictures rw shared:7 master:1 - nfs4 server:/p rw
31 22 0:41 / /srv/two\040words rw - cifs //server/x rw
32 30 0:42 / /srv/pictures rw - tmpfs tmpfs rw
33 22 0:43 / /home/fuse rw - fuse.sshfs user@host: rw
"""


@linux_only
@pytest.mark.parametrize("place", ["/proc", "/dev/shm", Path.cwd()])
def test_the_file_system_is_the_one_that_df_names(place):
    said = subprocess.run(["df", "--output=fstype", place], capture_output=True, check=True)
    assert said.stdout.split()[1].decode() == mounts.filesystem_type(place)


@pytest.mark.parametrize(
    ("kind", "path"),
    [
        ("ext4", "/home/anyone/in"),
        ("ext4", "/srv/pictures-of-reeds"),
        ("tmpfs", "/srv/pictures/in"),  # the later of two mounts at one place hides the other
        ("cifs", "/srv/two words/in"),
        ("fuse.sshfs", "/home/fuse"),
        ("proc", "/proc/self"),
    ],
)
def test_the_deepest_mount_decides(kind, path):
    assert kind == mounts.fs_type_in_mountinfo(MOUNT_TABLE, path)


def test_a_table_that_says_nothing_is_unknown():
    assert mounts.fs_type_in_mountinfo("nonsense\n", "/home") == "unknown"


@pytest.mark.parametrize(
    ("kind", "path"), [("apfs", "/Users/x"), ("smbfs", "/Volumes/two words/in")]
)
def test_the_output_of_mount_on_a_mac_is_understood(kind, path):
    # the form is from memory of macOS's mount(8)
    text = (
        "/dev/disk3s1s1 on / (apfs, sealed, local, read-only, journaled)\n"
        "//user@server/x on /Volumes/two words (smbfs, nodev, nosuid, mounted by user)\n"
    )
    assert kind == mounts.fs_type_in_mount_output(text, path)


@pytest.mark.parametrize(
    ("local", "kind"),
    [
        (True, "ext4"), (True, "tmpfs"), (True, "apfs"), (False, "nfs4"), (False, "cifs"),
        (False, "smb3"), (False, "fuse.sshfs"), (False, "9p"), (False, "virtiofs"),
        (False, "unknown"), (False, "remote"),
    ],
)  # fmt: skip
def test_only_local_file_systems_are_trusted_to_send_all_events(local, kind):
    assert local is mounts.delivers_events(kind)
