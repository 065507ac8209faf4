"""A picture that looks for what others bring does not overtake those before it."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from hotfolder.daemon.turns import Turns

STOP = threading.Event()


@pytest.fixture
def rows(add, ledger):
    add("a", "b", "c")
    add("other", destination="book")
    return {name: ledger.job(name) for name in ("a", "b", "c", "other")}


def overtakes(turns, row):
    """Whether a job ends though those before it are still under way."""
    begun = time.monotonic()
    turns.wait_for_earlier(row, STOP)
    return time.monotonic() - begun < 0.4


def test_a_later_one_waits_and_an_earlier_one_does_not(rows):
    turns = Turns(longest_s=0.5)
    with turns.under_way(rows["b"]):
        assert not overtakes(turns, rows["c"])
        assert overtakes(turns, rows["a"])
        assert overtakes(turns, rows["b"])


def test_one_of_another_destination_is_not_waited_for(rows):
    turns = Turns(longest_s=0.5)
    with turns.under_way(rows["a"]):
        assert overtakes(turns, rows["other"])


def test_it_waits_no_longer_than_until_the_earlier_one_is_committed(rows):
    turns, ended = Turns(), []
    with ThreadPoolExecutor() as pool, turns.under_way(rows["a"]):
        waiting = pool.submit(turns.wait_for_earlier, rows["b"], STOP)
        with turns.committing(rows["a"]):
            time.sleep(0.3)
            ended.append(waiting.done())
        waiting.result(5)
    assert [False] == ended


def test_it_goes_on_when_the_earlier_one_goes_no_further_now(rows):
    turns = Turns()
    with ThreadPoolExecutor() as pool:
        with turns.under_way(rows["a"]):
            waiting = pool.submit(turns.wait_for_earlier, rows["b"], STOP)
        waiting.result(5)


def test_a_stop_ends_the_waiting(rows):
    turns, stop = Turns(), threading.Event()
    stop.set()
    with turns.under_way(rows["a"]):
        turns.wait_for_earlier(rows["b"], stop)


def test_one_at_a_time_is_committed(rows):
    turns, inside = Turns(), []

    def commit(row):
        with turns.committing(row):
            inside.append(row.id)
            time.sleep(0.1)
            assert inside[-1] == row.id

    with ThreadPoolExecutor() as pool:
        list(pool.map(commit, [rows[name] for name in "abc"]))
