"""Many files at once; `python tests/faults/many.py --files 10000` is the long form."""

from __future__ import annotations

from collections import Counter

from faults.many import lead, many
from hotfolder.platforms import cpu_count


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
