"""Many files at once; `python tests/faults/many.py --files 10000` is the long form."""

from __future__ import annotations

import threading
from collections import Counter

from faults.killing import run_here
from faults.many import lead, many
from faults.serving import DEADLINE_S, sweep
from hotfolder.daemon import claiming
from hotfolder.disk.processes import cpu_count
from whole.conftest import drop, records


def test_a_heap_of_files_is_done_in_turns_between_destinations():
    found = many(30, limit_s=300)
    assert {"delivered": 30} == found["ended"]
    assert 30 == found["results"] == found["originals"]
    assert found["exit"] == 0
    # in turns; which of those that are worked on side by side ends first is not for us to say
    assert found["lead"] <= 1 + cpu_count()


def test_the_lead_is_counted_while_all_have_files_left():
    left = Counter({"book": 4, "canvas": 3, "gallery": 1})
    assert lead(["book", "canvas", "gallery", "book", "book", "book"], left) == 1
    assert lead(["book", "book", "book", "canvas", "gallery"], left) == 3


def test_work_begins_before_all_files_have_been_taken_in(quick, monkeypatch):
    for number in range(6):
        drop(quick, f"{number}.tif", seed=number, size=24)
    begun, claims = threading.Event(), []
    claim = claiming.claim

    def waiting(*args):
        claims.append(len(claims) == 3 and begun.wait(DEADLINE_S))
        return claim(*args)

    def run(attempt, stop):
        begun.set()
        return run_here(attempt, stop)

    monkeypatch.setattr(claiming, "claim", waiting)
    assert sweep(quick, run) == []
    assert claims[3], "no work began while files were being taken in"
    assert len(records(quick)) == 6
