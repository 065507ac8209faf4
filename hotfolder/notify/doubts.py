"""What can be known to be wrong with the ways by which people are told, without a server."""

from __future__ import annotations

import stat

from hotfolder.errors import Problem
from hotfolder.notify.sending import NotSent, make_context, read_secret
from hotfolder.settings.files import SETTINGS_FILE
from hotfolder.settings.notify import MailTable, NotifyTable
from hotfolder.settings.root import Root


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
                    f"notify.{name}.{key}_file: others on this machine can read "
                    f"{root.path / file}; `chmod 600` keeps it to you"
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
