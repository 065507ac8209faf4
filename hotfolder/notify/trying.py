"""Trying the ways by which people are told, before anything has to be told."""

from __future__ import annotations

import stat
import uuid
from dataclasses import dataclass

from hotfolder.errors import Problem
from hotfolder.logs import utc_now
from hotfolder.notify.message import make_body
from hotfolder.notify.sending import NotSent, make_context, read_secret, say_where
from hotfolder.notify.teller import Way, send
from hotfolder.settings.files import SETTINGS_FILE
from hotfolder.settings.notify import MailTable, NotifyTable
from hotfolder.settings.root import Root


@dataclass(frozen=True)
class Tried:
    """What has become of a test message."""

    way: str
    """``mail`` or ``webhook``."""
    says: str
    """A sentence."""
    was_sent: bool


def try_way(root: Root, name: str, table: Way) -> Tried:
    """Send one test message by a way."""
    where = say_where(table)
    try:
        remark = send(
            table, root, str(uuid.uuid4()), make_body("test", root.path.name, utc_now(), [])
        )
    except NotSent as error:
        return Tried(name, f"{where}: the test message was not sent: {error}", was_sent=False)
    to = f" for {', '.join(table.to)}" if isinstance(table, MailTable) else ""
    said = f"{where}: the server has taken the test message{to}"
    return Tried(name, f"{said}; {remark}" if remark else f"{said}.", was_sent=not remark)


def find_problems(root: Root, table: NotifyTable) -> tuple[list[Problem], list[str]]:
    """Find what can be known to be wrong without asking a server; and remarks."""
    problems: list[Problem] = []
    remarks: list[str] = []
    where = str(root.path / SETTINGS_FILE)
    for name, each in table.ways.items():
        key = "password" if isinstance(each, MailTable) else "secret"
        file, variable = getattr(each, f"{key}_file"), getattr(each, f"{key}_env")
        try:
            read_secret(root.path, file, None)
        except NotSent as error:
            allowed = "a file that can be read, whose first line is the secret"
            problems.append(Problem(where, f"notify.{name}.{key}_file", str(error), allowed))
        else:
            if file and (root.path / file).stat().st_mode & (stat.S_IRGRP | stat.S_IROTH):
                remarks.append(
                    f"notify.{name}.{key}_file: others on this machine can read {root.path / file}; "
                    "`chmod 600` keeps it to you"
                )
        try:
            read_secret(root.path, None, variable)
        except NotSent as error:
            remarks.append(f"notify.{name}.{key}_env: {error}")
        try:
            make_context(root.path, each.certificates)
        except NotSent as error:
            problems.append(Problem(where, f"notify.{name}.certificates", str(error), ""))
    return problems, remarks
