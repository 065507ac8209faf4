"""A service that serves a root from the start of the machine on: its definition, and its life.

The definition is written from the same facts for three service managers. systemd's was tried; the
ones of macOS (launchd.plist(5)) and Windows (Task Scheduler's schema) are written by their
documentation and were not, and say so.
"""

from __future__ import annotations

import os
import plistlib
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Final
from xml.sax.saxutils import escape

from hotfolder.errors import Problem, SettingsError, StorageError
from hotfolder.settings.root import Root
from hotfolder.upkeep.copies import read_folders

_NAME: Final = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_STARTS_WITHIN: Final = "15min"
"""A ledger that was lost is made anew from every record there is before the daemon is ready."""

_UNIT: Final = """\
# Written by `hotfolder service install`, which writes it anew. What changes by hand goes into
# `systemctl edit {unit}`.
[Unit]
Description=hotfolder, the output desk of {root_text}
RequiresMountsFor={root}
StartLimitIntervalSec=0

[Service]
Type=notify
# the process that works stands behind the one that is waited for
NotifyAccess=all
ExecStart={command}
WatchdogSec=2min
TimeoutStartSec={starts_within}
TimeoutStopSec=90
Restart=on-failure
RestartSec=30
KillMode=mixed
{account}CacheDirectory=hotfolder
Environment=NUMBA_CACHE_DIR=%C/hotfolder
NoNewPrivileges=yes
RestrictSUIDSGID=yes
LockPersonality=yes
RestrictRealtime=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
SystemCallArchitectures=native
{of_system}
[Install]
WantedBy={wanted_by}
"""
_OF_SYSTEM: Final = """\
# It writes into the root, its destinations' folders and its cache, and nowhere else. After a
# destination has got folders elsewhere: `hotfolder service install` again.
ProtectSystem=strict
ReadWritePaths={writable}
{private_tmp}ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectControlGroups=yes
ProtectClock=yes
ProtectHostname=yes
CapabilityBoundingSet=
"""
"""Not in a session's service, for which each needs user namespaces that a machine may not allow."""

_TASK: Final = """\
<?xml version="1.0" encoding="UTF-16"?>
<!-- Written by `hotfolder service install`, by the documentation of its schema; not tried. -->
<Task version="1.2" xmlns="http://schemas.microsoft.com/windows/2004/02/mit/task">
  <Triggers><LogonTrigger><Enabled>true</Enabled></LogonTrigger></Triggers>
  <Settings>
    <MultipleInstancesPolicy>IgnoreNew</MultipleInstancesPolicy>
    <DisallowStartIfOnBatteries>false</DisallowStartIfOnBatteries>
    <StopIfGoingOnBatteries>false</StopIfGoingOnBatteries>
    <ExecutionTimeLimit>PT0S</ExecutionTimeLimit>
    <RestartOnFailure><Interval>PT1M</Interval><Count>999</Count></RestartOnFailure>
  </Settings>
  <Actions><Exec><Command>{program}</Command><Arguments>{arguments}</Arguments></Exec></Actions>
</Task>
"""


class Manager(StrEnum):
    """A service manager."""

    SYSTEMD = "systemd"
    LAUNCHD = "launchd"
    TASKS = "tasks"

    @property
    def was_tried(self) -> bool:
        """Whether its definition has run."""
        return self is Manager.SYSTEMD


@dataclass(frozen=True)
class Service:
    """What is known of a service, whoever manages it."""

    root: Root
    name: str
    """Lower-case words joined by hyphens; its unit is ``hotfolder-NAME``."""
    manager: Manager
    of_system: bool = False
    """Whether it runs from the start of the machine, or else while its person is logged in."""
    account: str = ""
    """Whose it is, if it is the system's."""
    with_desk: bool = False

    @property
    def unit(self) -> str:
        """What the service manager calls it."""
        return f"hotfolder-{self.name}"

    @property
    def file(self) -> Path:
        """Where the service manager looks for its definition."""
        home = Path.home()
        if self.manager is Manager.LAUNCHD:
            top = (
                Path("/Library/LaunchDaemons") if self.of_system else home / "Library/LaunchAgents"
            )
            return top / f"{self.unit}.plist"
        if self.manager is Manager.TASKS:
            return self.root.private / f"{self.unit}.xml"
        settings = Path(os.environ.get("XDG_CONFIG_HOME") or home / ".config")
        top = Path("/etc/systemd/system") if self.of_system else settings / "systemd/user"
        return top / f"{self.unit}.service"

    @property
    def command(self) -> tuple[str, ...]:
        """What is started."""
        desk = ("--desk",) if self.with_desk else ()
        return (sys.executable, "-m", "hotfolder", "watch", "--quiet", *desk, str(self.root.path))

    def control(self, *words: str) -> tuple[str, ...]:
        """Return the command that tells systemd something about it."""
        return ("systemctl", *(() if self.of_system else ("--user",)), *words)


def find_manager() -> Manager:
    """Return the service manager that this machine's system usually has."""
    return {"darwin": Manager.LAUNCHD, "win32": Manager.TASKS}.get(sys.platform, Manager.SYSTEMD)


def name_after(root: Root) -> str:
    """Return a service's usual name: that of the root's folder, in letters, digits, hyphens."""
    words = re.findall(r"[a-z0-9]+", root.path.name.lower())
    return "-".join(words) or "desk"


def write_definition(service: Service) -> Path:
    """Write what the service manager reads.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    SettingsError
        When the name cannot be used, belongs to another root's service, or the root is none.
    StorageError
        When the file cannot be written.
    """
    if not _NAME.fullmatch(service.name):
        allowed = "lower-case words joined by hyphens, such as studio-two"
        raise SettingsError([Problem("--name", "", repr(service.name), allowed)])
    if service.of_system and service.manager is Manager.SYSTEMD and not service.account:
        allowed = "the name of a person of this machine whose it is, such as hotfolder"
        raise SettingsError([Problem("--as", "", "nobody", allowed)])
    if service.account and not _is_known(service.account):
        allowed = (
            "somebody of this machine; `useradd --system --shell /usr/sbin/nologin "
            f"{service.account}` makes one, to whom the root must belong"
        )
        raise SettingsError([Problem("--as", "", service.account, allowed)])
    text = definition(service)
    file = service.file
    try:
        there = file.read_text("utf-8") if file.exists() else ""
        if there and not _serves(there, service.root):
            got = f"{file} serves another root"
            raise SettingsError([Problem("--name", "", got, "another name")])
        file.parent.mkdir(parents=True, exist_ok=True)
        new = file.with_name(f"{file.name}.new")
        new.write_text(text, encoding="utf-8")
        new.replace(file)
    except OSError as error:
        needs = "; a service of the system is written as root" if service.of_system else ""
        raise StorageError(f"{file} cannot be written: {error.strerror}{needs}") from error
    return file


def definition(service: Service) -> str:
    """Return the text of a service's definition, for its manager.

    Raises
    ------
    SettingsError
        When the root's settings cannot be read: its folders must be known.
    """
    if service.manager is Manager.LAUNCHD:
        return plistlib.dumps(
            {
                "Label": service.unit,
                "ProgramArguments": list(service.command),
                "RunAtLoad": True,
                "KeepAlive": {"SuccessfulExit": False},
                "ProcessType": "Background",
                **({"UserName": service.account} if service.account else {}),
            }
        ).decode()
    if service.manager is Manager.TASKS:
        arguments = subprocess.list2cmdline(service.command[1:])
        return _TASK.format(program=escape(service.command[0]), arguments=escape(arguments))
    return _UNIT.format(
        unit=service.unit,
        root=_quote(str(service.root.path)),
        root_text=str(service.root.path).replace("%", "%%"),
        command=" ".join(_quote(each).replace("$", "$$") for each in service.command),
        starts_within=_STARTS_WITHIN,
        account=f"User={service.account}\n" if service.account else "",
        of_system=_keep_apart(service.root) if service.of_system else "",
        wanted_by="multi-user.target" if service.of_system else "default.target",
    )


def _keep_apart(root: Root) -> str:
    writable = find_writable(root)
    shared = ("/tmp", "/var/tmp")  # noqa: S108 - a root there would be hidden from its daemon
    is_in_shared = any(each.is_relative_to(top) for each in writable for top in shared)
    return _OF_SYSTEM.format(
        writable=" ".join(_quote(f"-{each}") for each in writable),
        private_tmp="" if is_in_shared else "PrivateTmp=yes\n",
    )


def find_writable(root: Root) -> list[Path]:
    """Return the root, and the folders of its destinations that lie elsewhere."""
    elsewhere = {
        place
        for folders in read_folders(root).values()
        for place in folders.all()
        if not place.is_relative_to(root.path)
    }
    return [root.path, *sorted(elsewhere)]


def tell_manager(commands: Sequence[Sequence[str]]) -> None:
    """Run a service manager's commands, one after the other.

    Raises
    ------
    StorageError
        When there is no such manager here, or it refuses.
    """
    for command in commands:
        if shutil.which(command[0]) is None:
            raise StorageError(
                f"{command[0]} is not on this machine; run it where it is: {_line(command)}"
            )
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            said = (done.stderr or done.stdout).strip().splitlines()
            why = said[-1] if said else "it failed"
            if "--user" in command and " bus" in why:
                why += (
                    ". The manager of this session is not reached from here: log in as that "
                    "person, at the machine or by ssh and not by su or sudo, and do it again"
                )
            raise StorageError(f"{_line(command)}: {why}")


def begin_commands(service: Service) -> list[tuple[str, ...]]:
    """Return the commands by which a written service begins, now and at each start."""
    if service.manager is Manager.LAUNCHD:
        return [("launchctl", "load", "-w", str(service.file))]
    if service.manager is Manager.TASKS:
        made = ("schtasks", "/create", "/tn", service.unit, "/xml", str(service.file))
        return [made, ("schtasks", "/run", "/tn", service.unit)]
    return [
        service.control("daemon-reload"),
        service.control("enable", service.unit),
        service.control("restart", service.unit),
    ]


def end_commands(service: Service) -> list[tuple[str, ...]]:
    """Return the commands by which a service ends for good."""
    if service.manager is Manager.LAUNCHD:
        return [("launchctl", "unload", "-w", str(service.file))]
    if service.manager is Manager.TASKS:
        return [("schtasks", "/delete", "/f", "/tn", service.unit)]
    return [service.control("disable", "--now", service.unit)]


def _is_known(account: str) -> bool:
    try:
        import pwd
    except ImportError:  # Windows, where nobody asks
        return True
    try:
        pwd.getpwnam(account)
    except KeyError:
        return False
    return True


def _serves(text: str, root: Root) -> bool:
    return any(
        form in text for form in {str(root.path), _quote(str(root.path)), escape(str(root.path))}
    )


def _line(command: Sequence[str]) -> str:
    return " ".join(command)


def _quote(text: str) -> str:
    """Quote a word as systemd.syntax(7) reads it; a percent sign would begin a specifier."""
    plain = text.replace("%", "%%")
    if re.fullmatch(r"[\w/.,:=@%+-]+", plain, re.ASCII):
        return plain
    escaped = plain.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
