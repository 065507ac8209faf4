"""Trends: what a change of profile did, told only where it can be told."""

import itertools
import random
from contextlib import closing
from datetime import UTC, datetime, timedelta
from statistics import fmean

import pytest

from audit.conftest import NUMBER
from audit.generated import CHANGED, record_of
from hotfolder.audit.books import open_books
from hotfolder.audit.plot import HELD_BOTTOM, LEFT, LOST_BOTTOM, RIGHT, WIDTH, place_trend, round_up
from hotfolder.audit.question import Question
from hotfolder.audit.trends import MOST_CHANGES, _test_ranks, _test_signs, find_trends
from hotfolder.ledger.migrations import make_empty_ledger
from hotfolder.model.records import format_time

QUESTION = Question()
START = datetime(2026, 3, 2, 9, tzinfo=UTC)


def picture(number, lost, profile, *, original=None, tolerance=3.0, delta_e=None, held=False):
    return {
        "finished": format_time(START + timedelta(hours=number)),
        "share_lost": lost,
        "delta_e_mean": lost * 10 if delta_e is None else delta_e,
        "tolerance": tolerance,
        "was_held": held,
        "profile": profile,
        "profile_sha256": profile * 8,
        "original_sha256": original or f"original {number}",
    }


def change(before, after):
    trend = trend_of([*before, *after])
    (found,) = trend.changes
    assert 0 == trend.left_out
    return found


def trend_of(pictures, question=QUESTION):
    """The trend of a canvas for which these pictures, and no others, were made."""
    with closing(make_empty_ledger()) as db:
        for number, each in enumerate(pictures):
            row = {
                "job": f"j{number}", "destination": "canvas", "was_held": 0, "state": "delivered",
                "name": "mud.tif", "hues": "", "elapsed_s": 1.0, **each,
            }  # fmt: skip
            names, marks = ", ".join(row), ", ".join("?" * len(row))
            db.execute(f"INSERT INTO records ({names}) VALUES ({marks})", tuple(row.values()))
        (found,) = find_trends(db, question)
    return found


def test_the_generated_canvas_got_worse_the_book_did_not_and_the_web_had_no_change(filled):
    with open_books(filled) as db:
        found = {each.destination: each for each in find_trends(db, Question())}
    (canvas,) = found["fine-art-canvas"].changes
    (book,) = found["book-pages"].changes
    assert ("more", "same", ()) == (canvas.verdict, book.verdict, found["web-gallery"].changes)
    assert abs(canvas.at - CHANGED) < timedelta(days=3)
    assert canvas.after.lost > 1.5 * canvas.before.lost
    assert "different pictures" in canvas.why


def test_the_same_pictures_with_both_profiles_decide():
    before = [picture(n, 0.02 + n / 1000, "a", original=f"o{n}") for n in range(6)]
    after = [picture(10 + n, 0.03 + n / 1000, "b", original=f"o{n}") for n in range(6)]
    found = change(before, after)
    assert ("more", 6) == (found.verdict, found.pairs)
    assert found.why == "by 6 pictures made with both, 6 of them worse (share lost)"
    assert change(before, [{**each, "share_lost": 0.0} for each in after]).verdict == "less"


def test_few_pictures_tell_nothing():
    found = change([picture(0, 0.0, "a")], [picture(1, 0.9, "b")])
    assert ("unclear", "too few pictures to tell") == (found.verdict, found.why)


def test_where_the_tolerance_changed_too_the_shares_are_not_compared():
    before = [picture(n, 0.02, "a", delta_e=1 + n / 100) for n in range(20)]
    after = [picture(30 + n, 0.9, "b", tolerance=1.0, delta_e=1 + n / 100) for n in range(20)]
    found = change(before, after)
    assert found.verdict == "same"
    assert "mean ΔE00, as the tolerance changed too" in found.why


def test_pictures_that_all_lose_nothing_are_the_same():
    before, after = ([picture(n + 50 * k, 0.0, "ab"[k]) for n in range(20)] for k in range(2))
    assert change(before, after).verdict == "same"


@pytest.mark.parametrize(("worse", "better"), [(6, 0), (5, 1), (3, 3), (20, 9), (0, 0)])
def test_the_sign_test_is_the_binomial_test(worse, better):
    from scipy.stats import binomtest  # costs half a second

    expected = binomtest(worse, worse + better).pvalue if worse + better else 1.0
    assert expected == pytest.approx(_test_signs(worse, better), abs=1e-12)


@pytest.mark.parametrize("digits", [1, 2, 9])
def test_the_rank_test_is_that_of_mann_and_whitney_also_with_ties(digits):
    from scipy.stats import mannwhitneyu  # costs half a second

    chance = random.Random(digits)
    old = [round(chance.random(), digits) for _ in range(9)]
    new = [round(chance.random() + 0.2, digits) for _ in range(30)]
    expected = mannwhitneyu(old, new, method="asymptotic").pvalue
    assert expected == pytest.approx(_test_ranks(old, new), rel=1e-9)
    assert 1.0 == _test_ranks([0.5] * 8, [0.5] * 9)


def test_a_bucket_has_the_means_of_a_walk_over_all_records(filled):
    with open_books(filled) as db:
        found = next(each for each in find_trends(db, QUESTION) if each.destination == "book-pages")
    records = [record_of(number, NUMBER) for number in range(0, NUMBER, 3)]
    by_month = itertools.groupby(
        records, key=lambda each: f"{datetime.fromisoformat(each['finished']).astimezone():%Y-%m}"
    )
    for bucket, (month, those) in zip(found.buckets, by_month, strict=True):
        these = list(those)
        lost = [
            gamut["out_of_gamut_share"]
            for each in these
            if (gamut := each["findings"].get("gamut-check"))
        ]
        held = fmean(each["state"] == "held" or bool(each["release"]) for each in these)
        assert (f"{bucket.start:%Y-%m}", bucket.pictures) == (month, len(these))
        assert (bucket.lost, bucket.held) == pytest.approx((fmean(lost), held), abs=1e-12)


def test_profiles_that_take_turns_within_a_day_are_each_a_change():
    pictures = [picture(n / 60, 0.02, "ab"[n // 3 % 2]) for n in range(12)]
    found = trend_of(pictures)
    assert (1, 0) == (len(found.buckets), found.left_out)
    assert [format_time(each.at) for each in found.changes] == [
        pictures[number]["finished"] for number in (3, 6, 9)
    ]
    assert [(3, 3)] * 3 == [(each.before.pictures, each.after.pictures) for each in found.changes]


def test_results_without_a_profile_are_no_change():
    pictures = [picture(24 * n, 0.02, "a") for n in range(4)]
    pictures[1]["profile_sha256"] = pictures[2]["profile_sha256"] = None
    assert () == trend_of(pictures).changes


def test_only_the_latest_changes_are_looked_into():
    found = trend_of([picture(n, 0.02, "ab"[n % 2]) for n in range(MOST_CHANGES + 4)])
    assert (MOST_CHANGES, 3) == (len(found.changes), found.left_out)


def test_a_trend_is_about_the_time_and_the_batch_that_were_asked_for():
    pictures = [
        {**picture(n, 0.02, "ab"[n // 10]), "batch": "estuary" if n > 2 else None}
        for n in range(20)
    ]
    asked = Question(
        since=START + timedelta(hours=1), until=START + timedelta(hours=9), batch="estuary"
    )
    found = trend_of(pictures, asked)
    assert (6, ()) == (sum(bucket.pictures for bucket in found.buckets), found.changes)


def test_a_day_with_and_a_day_without_losses_are_two_dots():
    pictures = [picture(n, 0.1 if n < 24 else 0.0, "a", held=n == 3) for n in range(0, 72, 3)]
    found = trend_of(pictures)
    assert found.unit == "day"
    assert sum(bucket.pictures for bucket in found.buckets) == len(pictures)
    assert found.buckets[0].lost == pytest.approx(0.1)
    drawn = place_trend(found)
    assert all(LEFT <= dot.x <= WIDTH - RIGHT for dot in drawn.dots)
    assert (drawn.dots[-1].y, len(drawn.bars)) == (LOST_BOTTOM, 1)
    assert drawn.bars[0].y + drawn.bars[0].height == pytest.approx(HELD_BOTTOM, abs=0.2)


@pytest.mark.parametrize(
    ("days", "unit"), [(1, "hour"), (30, "day"), (300, "week"), (900, "month")]
)
def test_the_longer_the_time_the_longer_the_step(days, unit):
    found = trend_of([picture(0, 0.1, "a"), picture(24 * days, 0.1, "a")])
    assert found.unit == unit
    assert len(place_trend(found).dots) == 2


@pytest.mark.parametrize(
    ("most", "top"), [(0.0, 0.01), (0.011, 0.02), (0.02, 0.02), (0.3, 0.5), (0.9, 1.0)]
)
def test_the_scale_ends_at_a_round_share(most, top):
    assert round_up(most) == pytest.approx(top)
