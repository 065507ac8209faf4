"""How long the audit's questions take over many records.

::

    .venv/bin/python tests/benchmarks/audit.py                  # 100,000 records
    .venv/bin/python tests/benchmarks/audit.py --records 10000

The books are generated. Each question is asked five times, by a connection of its own as the
command does it. The table has the medians of time and of processor time, which says more where
others work at the same time. The last rows are the page with its trends, and whole commands, start
of Python included.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "audit"))

from generated import BEGIN, CHANGED, digest, fill
from measured import add_write_option, show
from rich.table import Table

from hotfolder.audit.books import open_books
from hotfolder.audit.choices import Group, Sort, Statistic
from hotfolder.audit.question import Question, ask, ask_groups, count
from hotfolder.audit.report import render_report
from hotfolder.model.ends import End
from hotfolder.settings.root import Root

ROUNDS = 5
QUESTIONS = {
    "the newest 50": Question(limit=50),
    "one destination, one month": Question(
        destinations=("fine-art-canvas",), since=BEGIN, until=BEGIN.replace(month=12), limit=50
    ),
    "lost most, the first 50": Question(sort=Sort.LOST, limit=50),
    "more than 5 % lost": Question(lost_above=0.05),
    "held, more than 5 % lost, since the change": Question(
        states=(End.HELD,), lost_above=0.05, since=CHANGED
    ),
    "ΔE00 max above 20, sorted by it": Question(
        delta_e_above=20, statistic=Statistic.MAX, sort=Sort.DELTA_E, limit=50
    ),
    "lost green, named *creek*": Question(hues=("green",), name="*creek*", limit=50),
    "by profile": Question(profile="*second*", limit=50),
    "one batch": Question(batch="estuary book 7"),
    "by hash": Question(sha256=digest("original", 1, 77)),
    "all, sorted by name": Question(sort=Sort.NAME),
}


def main() -> None:
    """Generate, ask, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--records", type=int, default=100_000)
    add_write_option(parser)
    asked = parser.parse_args()
    number = asked.records
    with tempfile.TemporaryDirectory() as folder:
        root = Root(Path(folder))
        root.destinations.mkdir()
        began = time.perf_counter()
        fill(root.ledger, number, out=root.path / "out")
        size = root.ledger.stat().st_size / 2**20
        print(f"{number} records generated in {time.perf_counter() - began:.0f} s, {size:.0f} MiB")
        table = Table("question", "answers", "ms", "of the processor, ms")
        for name, question in QUESTIONS.items():
            row(table, name, lambda question=question: answer(root, question))
        for group in Group:
            row(table, f"grouped by {group}", lambda group=group: groups(root, group))
        row(table, "the page, with trends", lambda: page(root))
        report = str(root.path / "audit.html")
        for options in (
            ("--lost-above", "5 %", "--csv"),
            ("--sort", "name", "--csv"),
            ("--report", report),
            ("--verify", "--name", "nothing"),  # the chain only
        ):
            said = " ".join(each for each in options if each != report)
            row(table, f"the command {said}", lambda options=options: command(root, *options))
        show([table], write=asked.write)


def row(table: Table, name: str, run: Callable[[], int]) -> None:
    """Time something, and add its row."""
    times, worked = [], []
    for _ in range(ROUNDS):
        began, spent = time.perf_counter(), processor_s()
        answers = run()
        times.append(time.perf_counter() - began)
        worked.append(processor_s() - spent)
    medians = (f"{1000 * statistics.median(each):.0f}" for each in (times, worked))
    table.add_row(name, str(answers), *medians)


def processor_s() -> float:
    """Processor time of this process and of those that it has waited for, seconds."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def answer(root: Root, question: Question) -> int:
    """Ask as the command does: the answers, and how many there are."""
    with open_books(root) as db:
        found = len(ask(db, question))
        return found if question.limit is None else count(db, question)


def groups(root: Root, group: Group) -> int:
    """Ask for sums."""
    with open_books(root) as db:
        return len(ask_groups(db, Question(), group))


def page(root: Root) -> int:
    """Make the page."""
    with open_books(root) as db:
        return len(render_report(db, root, Question(sort=Sort.LOST, limit=50))[0])


def command(root: Root, *options: str) -> int:
    """Run the command line, start of Python included."""
    asked = [sys.executable, "-m", "hotfolder", "audit", str(root.path), *options]
    done = subprocess.run(asked, capture_output=True, check=False)
    return done.stdout.count(b"\n")


if __name__ == "__main__":
    main()
