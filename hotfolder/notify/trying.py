"""Trying the ways by which people are told, before anything has to be told."""

from __future__ import annotations

import uuid
from dataclasses import dataclass

from hotfolder.logs import utc_now
from hotfolder.notify.message import make_body
from hotfolder.notify.sending import NotSent, say_where
from hotfolder.notify.teller import Way, send
from hotfolder.settings.notify import MailTable
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
        body = make_body("test", root.path.name, utc_now(), [])
        remark = send(table, root, str(uuid.uuid4()), body)
    except NotSent as error:
        return Tried(name, f"{where}: the test message was not sent: {error}", was_sent=False)
    to = f" for {', '.join(table.to)}" if isinstance(table, MailTable) else ""
    said = f"{where}: the server has taken the test message{to}"
    return Tried(name, f"{said}; {remark}" if remark else f"{said}.", was_sent=not remark)
