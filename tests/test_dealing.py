"""Each process begins with its share of the long tests."""

from types import SimpleNamespace

import pytest

from dealing import deal, keep_first_and_last


@pytest.mark.parametrize("processes", [1, 2, 3, 5])
@pytest.mark.parametrize("count", [0, 1, 7, 100])
def test_nothing_is_lost_and_each_part_begins_with_long_ones(processes, count):
    items = list(range(count))
    dealt = deal(items, lambda item: 30 <= item < 45, processes)
    assert items == sorted(dealt)
    if count == 100:
        ends = [count * part // processes for part in range(processes)]
        assert all(30 <= dealt[begin] < 45 for begin in ends)
        assert not 30 <= dealt[-1] < 45


def test_short_ones_stay_in_their_order_and_all_may_be_long():
    assert [9, 0, 1, 2, 3] == deal([0, 1, 2, 3, 9], lambda item: item == 9, 1)
    assert [0, 1, 2] == sorted(deal([0, 1, 2], lambda _: True, 2))


def test_of_many_cases_the_first_and_the_last_stay_and_other_tests_all():
    names = ["a[1]", "a[2]", "a[3]", "b", "c[1]", "c[2]", "d[1]", "d[2]", "d[3]"]
    items = [SimpleNamespace(nodeid=name) for name in names]
    kept = keep_first_and_last(
        items, lambda item: not item.nodeid.startswith("d"), lambda item: item.nodeid[0] == "c"
    )
    assert ["a[1]", "a[3]", "b", "c[1]", "d[1]", "d[2]", "d[3]"] == [each.nodeid for each in kept]
