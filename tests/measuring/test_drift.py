"""Control charts: run lengths as published, and nothing seen where nothing drifts.

``PYTHONPATH=tests .venv/bin/python -m measuring.run_lengths 20000`` is the long form.
"""

import numpy as np
import pytest

from hotfolder.measured.drift import (
    FAMILY,
    FAMILY_LIMIT,
    LIMIT,
    WEIGHT,
    average,
    chart,
    limits_of,
    standardise,
)
from hotfolder.measured.verdict import followed
from measuring.run_lengths import (
    correlate,
    family_run_length,
    mean_run_length,
    self_started,
    self_started_family,
    solve_run_length,
)

PUBLISHED = {0.5: 41.8, 1.0: 10.5, 2.0: 3.7}
"""λ 0.2, L 2.962, limits that do not widen: Lucas & Saccucci 1990, as in textbooks' tables; typed
from memory, and computed anew below by an integral equation."""


@pytest.mark.parametrize("shift", PUBLISHED)
def test_run_lengths_are_the_published_ones(shift):
    found = mean_run_length(shift, limit=2.962, widening=False, runs=1500, prints=400)
    assert PUBLISHED[shift] == pytest.approx(found, rel=0.1)
    assert PUBLISHED[shift] == pytest.approx(solve_run_length(shift, WEIGHT, 2.962), rel=0.02)


def test_our_limit_lets_370_prints_pass_on_average():
    assert 370 == pytest.approx(solve_run_length(0.0, WEIGHT, LIMIT), rel=0.02)


@pytest.mark.parametrize(("shift", "expected"), [(0.5, 35), (1.0, 8.8), (2.0, 2.7)])
def test_our_limits_widen_from_the_first_print(shift, expected):
    found = mean_run_length(shift, limit=LIMIT, widening=True, runs=1500, prints=400)
    assert expected == pytest.approx(found, rel=0.1)


def test_all_charts_together_let_as_many_prints_pass_as_one(strip):
    assert len(followed(strip.lab, strip)) == FAMILY
    # independent charts, which alarm soonest
    assert 370 == pytest.approx(solve_run_length(0.0, WEIGHT, FAMILY_LIMIT) / FAMILY, rel=0.02)
    asked = {"limit": FAMILY_LIMIT, "runs": 800, "prints": 2500}
    assert 370 == pytest.approx(family_run_length(correlate(strip), **asked), rel=0.1)


def test_a_spread_that_is_only_thought_of_does_not_raise_false_alarms(strip):
    asked = {"limit": FAMILY_LIMIT, "runs": 60, "prints": 1000}
    found = self_started_family(correlate(strip), sd=0.25, prior_sd=0.25, **asked)
    assert found > 300


@pytest.mark.parametrize(("shift", "expected"), [(0.5, 105), (1.0, 15.6), (2.0, 3.8)])
def test_the_price_is_that_a_step_of_one_number_is_seen_later(shift, expected):
    found = mean_run_length(shift, limit=FAMILY_LIMIT, widening=True, runs=1500, prints=900)
    assert expected == pytest.approx(found, rel=0.1)
    found = mean_run_length(shift, limit=FAMILY_LIMIT, widening=False, runs=1500, prints=900)
    assert solve_run_length(shift, WEIGHT, FAMILY_LIMIT) == pytest.approx(found, rel=0.1)


def test_each_print_is_compared_with_those_before_it():
    from scipy import stats  # costs half a second

    values = [90.0, 90.4, 89.9, 90.2]
    sd = np.sqrt((10 * 0.3**2 + 2 * np.var(values[:2])) / 11)
    apart = (values[2] - np.mean(values[:2])) / (sd * np.sqrt(1.5))
    expected = np.sign(apart) * stats.norm.isf(stats.t.sf(abs(apart), 11))
    assert expected == pytest.approx(standardise(np.array(values))[1])
    known = standardise(np.array(values), known=2)
    assert expected == pytest.approx(known[1])
    assert standardise(np.array(values))[2] != pytest.approx(known[2])


def test_the_average_and_its_limits_are_those_of_the_formula():
    assert [0.2, 0.36] == pytest.approx(list(average(np.array([1.0, 1.0]))))
    assert LIMIT * WEIGHT == pytest.approx(limits_of(1)[0])
    assert LIMIT * np.sqrt(WEIGHT / (2 - WEIGHT)) == pytest.approx(limits_of(200)[-1])


def test_a_step_after_twenty_prints_is_seen_soon_and_dated_rightly():
    delays, dated = self_started(shift=0.6, at=20, prints=60, runs=40)  # two standard deviations
    assert np.mean(delays) < 5
    assert np.mean(np.abs(dated) <= 3) > 0.7


def test_an_alarm_is_raised_once_and_stays():
    rng = np.random.default_rng(3)
    values = [*rng.normal(0, 0.3, 20), *rng.normal(2, 0.3, 10)]
    charts = [chart(values[: at + 1]) for at in range(len(values))]
    alarms = [each.alarm for each in charts]
    first = alarms.index(True)
    assert 20 <= first <= 22
    assert all(alarms[first:])
    assert {first} == {each.alarmed_at for each in charts if each.alarm}
    assert {charts[first].since} == {each.since for each in charts[first:]}
    assert charts[-1].value == pytest.approx(values[-1] - values[0])


def test_the_first_print_alone_is_no_drift():
    assert (0.0, 0.0, False, None) == (
        chart([94.0]).value, chart([94.0]).ewma, chart([94.0]).alarm, chart([94.0]).since,
    )  # fmt: skip
    assert not chart([94.0] * 50).alarm
