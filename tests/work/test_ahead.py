"""An iterator that a thread keeps one step ahead."""

import threading

import pytest

from hotfolder.work.ahead import one_ahead

WAIT_S = 120


def test_all_parts_come_in_order_and_then_the_end():
    with one_ahead(range(100), "test") as parts:
        assert list(range(100)) == list(parts)
        assert [] == list(parts)


def test_the_next_part_is_made_while_one_is_used():
    second = threading.Event()

    def source():
        yield 1
        second.set()
        yield 2

    with one_ahead(source(), "test") as parts:
        assert 1 == next(parts)
        assert second.wait(WAIT_S)
        assert 2 == next(parts)


def test_it_is_at_most_two_parts_ahead():
    """One waits to be taken, one waits for its place."""
    made = []
    third = threading.Event()

    def source():
        for number in range(10):
            made.append(number)
            if number == 2:
                third.set()
            yield number

    with one_ahead(source(), "test") as parts:
        next(parts)
        assert third.wait(WAIT_S)
        assert 3 == len(made)


def test_what_the_source_raises_is_raised_in_its_place():
    def source():
        yield 1
        raise OSError("no more")

    with one_ahead(source(), "test") as parts:
        assert 1 == next(parts)
        with pytest.raises(OSError, match="no more"):
            next(parts)


@pytest.mark.parametrize("taken", [0, 1, 3])
def test_leaving_early_closes_the_source_and_ends_the_thread(taken):
    closed = threading.Event()

    def source():
        try:
            while True:
                yield 1
        finally:
            closed.set()

    def use():
        with one_ahead(source(), "test of leaving") as parts:
            for _ in range(taken):
                next(parts)
            raise KeyError

    with pytest.raises(KeyError):
        use()
    assert closed.is_set()
    assert "test of leaving" not in {thread.name for thread in threading.enumerate()}


def test_one_may_follow_another():
    with one_ahead(range(50), "first") as first, one_ahead((2 * n for n in first), "second") as out:
        assert [2 * n for n in range(50)] == list(out)
