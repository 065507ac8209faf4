"""Questions to the books: each filter against plain Python, each index against a query plan."""

import operator
import re
import sqlite3
from collections import Counter
from contextlib import closing
from datetime import UTC, datetime

import pytest

from audit.conftest import NUMBER
from audit.generated import BEGIN, CHANGED, LENGTH, digest, record_of
from hotfolder.audit.books import open_books
from hotfolder.audit.choices import Group, Sort, Statistic
from hotfolder.audit.known import check_names
from hotfolder.audit.question import (
    COLUMNS,
    Question,
    ask,
    ask_groups,
    ask_sums,
    count,
    describe_question,
    select,
    select_columns,
)
from hotfolder.errors import SettingsError, StorageError
from hotfolder.ledger.jobs import SCHEMA_VERSION
from hotfolder.ledger.record_index import LATER, TABLE
from hotfolder.model.ends import End
from hotfolder.settings.root import Root

RECORDS = [record_of(number, NUMBER) for number in range(NUMBER)]


def gamut(record, *keys, default=-1.0):
    found = record["findings"].get("gamut-check", {})
    for key in keys:
        found = found.get(key, {})
    return found or default


def lost(record):
    return gamut(record, "out_of_gamut_share")


def beyond(record):
    return (record["facts"] or {}).get("share_out_of_gamut", -1.0)


FILTERS = {
    "destination": (
        Question(destinations=("book-pages", "web-gallery")),
        lambda record: record["destination"] != "fine-art-canvas",
    ),
    "since": (
        Question(since=CHANGED),
        lambda record: datetime.fromisoformat(record["finished"]) >= CHANGED,
    ),
    "until": (
        Question(until=CHANGED),
        lambda record: datetime.fromisoformat(record["finished"]) < CHANGED,
    ),
    "batch": (Question(batch="estuary book 3"), lambda r: r["batch"] == "estuary book 3"),
    "state": (
        Question(states=(End.HELD, End.REFUSED)),
        lambda record: record["state"] in {"held", "refused"},
    ),
    "lost": (Question(lost_above=0.05), lambda record: lost(record) > 0.05),
    "out of gamut": (Question(out_of_gamut_above=0.02), lambda record: beyond(record) > 0.02),
    "delta e": (
        Question(delta_e_above=4, statistic=Statistic.MAX),
        lambda record: gamut(record, "delta_e_00", "max") > 4,
    ),
    "hue": (Question(hues=("blue",)), lambda r: "blue" in gamut(r, "lost_by_hue", default={})),
    "name": (
        Question(name="FERRY*7.tif"),
        lambda r: r["source"].startswith("ferry") and r["source"].endswith("7.tif"),
    ),
    "profile": (
        Question(profile="*second*"),
        lambda r: bool(r["results"]) and "second" in r["results"][0]["profile"]["description"],
    ),
    "hash of the profile": (
        Question(profile=digest("book-pages", "first")[:10]),
        lambda r: bool(r["results"]) and "book-pages, f" in str(r["results"][0]["profile"]),
    ),
    "hash of the original": (
        Question(sha256=digest("original", 1, 7).upper()[:12]),
        lambda r: r["original"]["sha256"] == digest("original", 1, 7),
    ),
    "hash of the result": (
        Question(sha256=digest("result", 1, 8)),
        lambda r: bool(r["results"]) and r["results"][0]["sha256"] == digest("result", 1, 8),
    ),
    "machine": (Question(machine="QUAY"), lambda record: record["machine"] == "quay"),
    "machines": (Question(machine="q*"), lambda record: record["machine"] == "quay"),
    "several": (
        Question(destinations=("fine-art-canvas",), lost_above=0.05, since=CHANGED),
        lambda record: (
            lost(record) > 0.05
            and record["destination"] == "fine-art-canvas"
            and datetime.fromisoformat(record["finished"]) >= CHANGED
        ),
    ),
}


@pytest.fixture
def db(filled):
    with open_books(filled) as db:
        yield db


@pytest.mark.parametrize("name", FILTERS)
def test_a_filter_finds_what_a_walk_over_all_records_finds(db, name):
    question, matches = FILTERS[name]
    expected = sorted(record["job"] for record in RECORDS if matches(record))
    assert 0 < len(expected) < NUMBER
    assert expected == sorted(answer["job"] for answer in ask(db, question))
    assert len(expected) == count(db, question)
    assert expected == sorted(job for (job,) in db.execute(*select_columns(question, "job")))


@pytest.mark.parametrize(
    ("sort", "key"),
    [
        (Sort.TIME, "finished"),
        (Sort.LOST, "share_lost"),
        (Sort.DELTA_E, "delta_e_p95"),
        (Sort.WORK, "elapsed_s"),
    ],
)
@pytest.mark.parametrize("reverse", [False, True])
def test_numbers_come_largest_first_and_what_was_not_measured_last(db, sort, key, reverse):
    values = [answer[key] for answer in ask(db, Question(sort=sort, reverse=reverse))]
    known = [value for value in values if value is not None]
    assert len(values) == NUMBER
    assert known == values[: len(known)]
    assert known == sorted(known, reverse=not reverse)


def test_names_come_from_a(db):
    found = [answer["name"].lower() for answer in ask(db, Question(sort=Sort.NAME))]
    assert found == sorted(found)


def test_an_answer_has_the_columns_in_their_order(db):
    (answer,) = ask(db, Question(limit=1, lost_above=0.05))
    assert list(COLUMNS) == answer.keys()
    assert answer["hues"] == "green yellow"


def test_groups_add_up(db):
    groups = ask_groups(db, Question(), Group.DESTINATION)
    assert ["book-pages", "fine-art-canvas", "web-gallery"] == [
        each["destination"] for each in groups
    ]
    canvas = [record for record in RECORDS if record["destination"] == "fine-art-canvas"]
    measured = [lost(record) for record in canvas if lost(record) >= 0]
    found = groups[1]
    assert (
        len(canvas),
        sum(record["state"] == "held" or bool(record["release"]) for record in canvas),
    ) == (
        found["jobs"],
        found["was_held"],
    )
    assert found["share_lost_mean"] == pytest.approx(sum(measured) / len(measured), abs=1e-12)
    assert found["share_lost_most"] == max(measured)
    measured = [beyond(record) for record in canvas if beyond(record) >= 0]
    assert 0 < len(measured) < len(canvas)
    assert found["share_out_of_gamut_mean"] == pytest.approx(
        sum(measured) / len(measured), abs=1e-12
    )
    assert found["share_out_of_gamut_most"] == max(measured)


SURFACES = {"book-pages": "lustre", "fine-art-canvas": "canvas", "web-gallery": "screen"}
AREA = 3600 * 2400 * (0.0254 / 150) ** 2  # of each result, in square metres


def test_square_metres_are_those_of_what_was_delivered_and_a_screen_has_none(db):
    question = Question(surfaces=SURFACES, since=CHANGED)
    found = {each["medium"]: each for each in ask_groups(db, question, Group.MEDIUM)}
    delivered = Counter(
        SURFACES[record["destination"]]
        for record in RECORDS
        if record["state"] == "delivered" and datetime.fromisoformat(record["finished"]) >= CHANGED
    )
    assert set(delivered) == set(found) == set(SURFACES.values())
    assert {"lustre": delivered["lustre"] * AREA, "canvas": delivered["canvas"] * AREA} == {
        medium: pytest.approx(found[medium]["printed_m2"], abs=1e-3)
        for medium in ("lustre", "canvas")
    }
    assert found["screen"]["printed_m2"] == 0
    areas = {each["destination"]: each["printed_m2"] for each in ask(db, question)}
    assert areas["web-gallery"] is None
    assert areas["book-pages"] == pytest.approx(AREA, abs=1e-6)


def test_destinations_of_one_medium_are_one_group_and_unknown_ones_another(db):
    surfaces = {"book-pages": "canvas", "fine-art-canvas": "canvas"}
    groups = ask_groups(db, Question(surfaces=surfaces), Group.MEDIUM)
    counted = Counter(record["destination"] for record in RECORDS)
    assert [
        ("", counted["web-gallery"]),
        ("canvas", counted["book-pages"] + counted["fine-art-canvas"]),
    ] == [(each["medium"], each["jobs"]) for each in groups]


def test_a_machine_that_never_made_anything_is_told_with_those_that_did(filled):
    with pytest.raises(SettingsError, match="did you mean quay"):
        check_names(filled, Question(machine="quai"))
    check_names(filled, Question(machine="quay"))
    check_names(filled, Question(machine="z*"))


def test_reasons_of_releases_are_counted_each(db):
    counted = Counter(
        code
        for record in RECORDS
        if record["release"]
        for code in dict.fromkeys(each["code"] for each in record["reasons"])
    )
    groups = ask_groups(db, Question(), Group.REASON)
    assert len(counted) == 2
    assert counted == {each["reason"]: each["jobs"] for each in groups}
    months = ask_sums(db, Question(), [Group.REASON, Group.MONTH])[0]
    assert counted == {each["reason"]: each["jobs"] for each in months}


def test_a_destination_with_a_quote_in_its_name_is_a_name(db):
    assert ask(db, Question(surfaces={"the '; room": "screen"}, limit=1))


def test_sums_of_several_groups_are_those_of_each(db):
    asked = [Group.DESTINATION, Group.PROFILE, Group.MONTH]
    together = ask_sums(db, Question(lost_above=0.01), asked)
    for group, found in zip(asked, together, strict=True):
        alone = ask_groups(db, Question(lost_above=0.01), group)
        assert [list(each) for each in alone] == [list(each) for each in found]
        for one, other in zip(alone, found, strict=True):
            for key, value in one.items():
                is_number = isinstance(value, float)
                assert other[key] == (pytest.approx(value, abs=1e-9) if is_number else value)


def test_groups_by_month_and_profile(db):
    months = ask_groups(db, Question(), Group.MONTH)
    ended = [datetime.fromisoformat(record["finished"]).astimezone() for record in RECORDS]
    assert Counter(f"{moment:%Y-%m}" for moment in ended) == {
        each["month"]: each["jobs"] for each in months
    }
    assert [each["month"] for each in months] == sorted(each["month"] for each in months)
    none = Question(since=BEGIN + LENGTH, until=BEGIN)
    assert [] == ask_groups(db, none, Group.MONTH)
    profiles = ask_groups(db, Question(lost_above=0.0), Group.PROFILE)
    assert len(profiles) == 5
    assert all(each["profile_sha256"] for each in profiles)


@pytest.mark.parametrize("text", ["50%", "a_b", "back\\slash"])
def test_what_is_special_to_sql_is_text(text):
    with closing(sqlite3.connect(":memory:")) as db:
        like = select(Question(name=f"{text}*"))[1][0]
        (found,) = db.execute(r"SELECT ? LIKE ? ESCAPE '\'", (f"{text}.tif", like)).fetchone()
        (other,) = db.execute(r"SELECT ? LIKE ? ESCAPE '\'", ("axb.tif", like)).fetchone()
    assert (1, 0) == (found, other)


def test_a_question_in_words():
    question = Question(destinations=("book-pages",), lost_above=0.05, hues=("green",))
    assert describe_question(question) == (
        "All pictures, to book-pages, with more than 5 % lost, that lost green"
    )
    assert describe_question(Question(out_of_gamut_above=0.02)) == (
        "All pictures, with more than 2 % that the medium cannot make"
    )


# plans: https://sqlite.org/eqp.html; "SEARCH … USING INDEX" reads only what it needs

PLANS = {
    "records_by_time": Question(limit=50),
    "records_by_destination": Question(
        destinations=("book-pages",), since=BEGIN, until=BEGIN + LENGTH / 24
    ),
    "records_by_loss": Question(sort=Sort.LOST, limit=50),
    "records_by_name": Question(sort=Sort.NAME, limit=50),
    "records_by_batch": Question(batch="estuary book 3"),
    "records_by_original": Question(sha256=digest("original", 1, 7)),
    "records_by_result": Question(sha256=digest("original", 1, 7)),
}
STATEMENTS = {
    "records_by_job": "UPDATE records SET latest = 0 WHERE job = 'j'",
    "records_by_line": (
        "SELECT line_sha256 FROM records WHERE destination = 'd' AND line_sha256 IS NOT NULL"
        " ORDER BY number DESC LIMIT 1"
    ),
}


def plan(db, sql, values=()):
    return [row["detail"] for row in db.execute(f"EXPLAIN QUERY PLAN {sql}", values)]


@pytest.mark.parametrize("index", PLANS)
def test_an_index_answers_its_question(db, index):
    steps = plan(db, *select(PLANS[index]))
    assert any(f"INDEX {index}" in step for step in steps), steps


@pytest.mark.parametrize("index", STATEMENTS)
def test_an_index_serves_its_statement(db, index):
    steps = plan(db, STATEMENTS[index])
    assert any(f"INDEX {index}" in step for step in steps), steps
    assert not any("TEMP B-TREE" in step for step in steps), steps


@pytest.mark.parametrize("reverse", [False, True])
@pytest.mark.parametrize("sort", [Sort.TIME, Sort.LOST, Sort.NAME])
def test_the_first_of_all_are_read_in_order_and_not_sorted(db, sort, reverse):
    steps = plan(db, *select(Question(sort=sort, reverse=reverse, limit=50)))
    assert not any("USE TEMP B-TREE FOR ORDER BY" in step for step in steps), steps


def test_there_is_no_index_without_a_question():
    named = [
        line.split()[2] for line in (TABLE + LATER).splitlines() if line.startswith("CREATE INDEX")
    ]
    assert sorted(named) == sorted([*PLANS, *STATEMENTS])


# the books


def test_the_books_cannot_be_written(db):
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        db.execute("DELETE FROM records")


def test_no_root_is_said(tmp_path):
    said = f"is not a root.*`hotfolder init {re.escape(str(tmp_path))}`"
    with pytest.raises(SettingsError, match=said), open_books(Root(tmp_path)):
        pass


def test_a_root_in_which_nothing_has_happened_answers_with_nothing(tmp_path):
    (tmp_path / "destinations").mkdir()
    with open_books(Root(tmp_path)) as db:
        assert ask(db, Question()) == []


@pytest.mark.parametrize(
    ("version", "message"),
    [(SCHEMA_VERSION - 1, "from an older hotfolder"), (SCHEMA_VERSION + 1, "newer hotfolder")],
)
def test_a_ledger_of_another_version_says_what_to_do(books, version, message):
    with closing(sqlite3.connect(books.ledger)) as db:
        db.execute(f"PRAGMA user_version = {version}")
    with pytest.raises(StorageError, match=message), open_books(books):
        pass


def test_times_are_compared_in_utc():
    moment = datetime(2026, 1, 2, 3, 4, 5, 678_000, tzinfo=UTC)
    assert select(Question(since=moment))[1] == ["2026-01-02T03:04:05.678Z"]
    assert operator.itemgetter("finished")(RECORDS[0]).endswith("Z")
