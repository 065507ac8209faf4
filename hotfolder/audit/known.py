"""Which destinations, batches, hues and machines a question can be about."""

from __future__ import annotations

from hotfolder.audit.books import open_books
from hotfolder.audit.question import Question, list_machines, make_cursor
from hotfolder.colour.hues import HUES
from hotfolder.errors import Problem, SettingsError
from hotfolder.settings.mistakes import find_like
from hotfolder.settings.root import Root


def check_names(root: Root, question: Question) -> None:
    """Refuse a question about destinations, batches, hues or machines that there are not.

    Raises
    ------
    SettingsError
        With what there is.
    """
    batch = (question.batch,) if question.batch is not None else ()
    # with * and ? it may be about machines to come
    named = question.machine and not set("*?") & set(question.machine)
    machine = (question.machine,) if question.machine and named else ()
    asked = {
        "--destination": question.destinations,
        "--batch": batch,
        "--hue": question.hues,
        "--machine": machine,
    }
    if not any(asked.values()):
        return
    with open_books(root) as db:
        cursor = make_cursor(db)
        rows = cursor.execute("SELECT DISTINCT destination, batch FROM records").fetchall()
        machines = list_machines(db)
        hues = cursor.execute("SELECT DISTINCT hues FROM records").fetchall()
    files = {path.stem for path in root.destinations.glob("*.toml")}
    there = {
        "--destination": files | {destination for destination, _ in rows},
        "--batch": {batch for _, batch in rows if batch},
        "--machine": set(machines),
        "--hue": {*HUES, *(hue for (said,) in hues for hue in (said or "").split())},
    }
    problems = []
    for option, names in asked.items():
        known = sorted(there[option])
        problems += [
            Problem(option, "", name, ", ".join(known) or "none yet", meant=find_like(name, known))
            for name in names
            if name not in known
        ]
    if problems:
        raise SettingsError(problems)
