"""Which pictures were made while a medium was off."""

from datetime import UTC, datetime, timedelta

import pytest

from audit.generated import fill
from hotfolder.audit.books import open_books
from hotfolder.audit.question import Question, ask, describe_question
from hotfolder.measured.off_spans import OffSpan, find_off_spans, read_off_spans
from hotfolder.measured.records import Drift, Verdict
from hotfolder.model.ends import End
from hotfolder.settings.root import Root

START = datetime(2026, 11, 1, tzinfo=UTC)


def verdict(day, *, within=True, since=None, chart=1, destination="canvas"):
    drift = Drift(value=0.0, ewma=0.0, limit=1.0, alarm=since is not None, since=since, new=False)
    return Verdict(
        destination=destination,
        strip="0" * 8,
        profile_sha256="0" * 64,
        file=f"day {day}.txt",
        kept=f"kept/day {day}.txt",
        sha256="0" * 64,
        judged=f"{START + timedelta(days=day):%Y-%m-%dT%H:%M:%SZ}",
        chart=chart,
        condition=None,
        backing=None,
        made_from="lab",
        mean_delta_e_00=1,
        p95_delta_e_00=1,
        max_delta_e_00=1,
        worst_patch="A1",
        paper_delta_e_00=1,
        grey_delta_c_mean=1,
        grey_delta_c_max=1,
        solid_cmy_delta_e_00_max=None,
        solid_black_delta_e_00=None,
        within={"house": within},
        from_first=None,
        drift={"paper_b": drift},
        words=(),
        lab=(),
    )


def days(span):
    return (span.since - START).days, span.until and (span.until - START).days


def test_a_medium_that_is_always_good_was_never_off():
    assert [] == find_off_spans([verdict(day) for day in range(5)])
    assert [] == find_off_spans([])


def test_an_alarm_reaches_back_to_the_first_print_concerned_and_on_to_a_new_chart():
    found = find_off_spans(
        [
            *(verdict(day) for day in range(4)),
            verdict(5),
            verdict(6, since="day 5.txt"),
            verdict(7, since="day 5.txt"),
            verdict(9, chart=2),
        ]
    )
    (span,) = found
    assert (5, 9) == days(span)
    assert ("day 5.txt", "drifted", 3) == (span.file, span.why, (span.good_before - START).days)


def test_limits_count_for_as_long_as_they_are_passed():
    passed = [verdict(day, within=day % 2 == 0) for day in range(4)]
    found = find_off_spans(passed)
    assert [(1, 2), (3, None)] == [days(each) for each in found]
    assert {"out of limits"} == {each.why for each in found}


def test_pictures_of_that_time_and_destination_answer(tmp_path):
    (tmp_path / "destinations").mkdir()
    root = Root(tmp_path)
    fill(root.ledger, 400, out=tmp_path / "out")
    with open_books(root) as db:
        rows = ask(db, Question(states=(End.DELIVERED,)))
        name = rows[0]["destination"]
        times = sorted(each["finished"] for each in rows if each["destination"] == name)
        since, until = (datetime.fromisoformat(times[len(times) // at]) for at in (3, 2))
        span = OffSpan(name, since, until, None, "x", "drifted")
        question = Question(off=(span,), states=(End.DELIVERED,))
        found = ask(db, question)
        expected = [at for at in times if times[len(times) // 3] <= at < times[len(times) // 2]]
        assert expected == sorted(each["finished"] for each in found)
        assert {name} == {each["destination"] for each in found}
        assert [] == ask(db, Question(off=()))
    assert "their medium was off" in describe_question(question)
    assert [] == read_off_spans(root)


@pytest.mark.parametrize("wanted", [(), ("canvas",), ("other",)])
def test_spans_are_read_from_what_was_measured(tmp_path, wanted):
    folder = tmp_path / "measured" / "canvas"
    folder.mkdir(parents=True)
    line = verdict(1, within=False).model_dump_json()
    (folder / "verdicts.jsonl").write_text(f"{line}\n")
    found = read_off_spans(Root(tmp_path), wanted)
    assert (wanted != ("other",)) == bool(found)
