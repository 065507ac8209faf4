"""Kill -9 at every outside act of a sweep, then sweep again: nothing lost, nothing twice.

The acts are counted by a sweep that is left alone, so a new act is tried without being listed.
`pytest tests/faults --every-act` tries all; without it, a spread of them.
"""

from __future__ import annotations

import shutil

import pytest

from faults.killing import check_books, copied, dropped_hashes, sweep_in_child

SPREAD = 12


def test_the_books_are_right_when_nobody_kills(filled):
    dropped = dropped_hashes(filled.path / "in/fine-art-canvas")
    assert sweep_in_child(filled)
    check_books(filled, dropped)


@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
def test_a_kill_at_any_act_loses_nothing_and_delivers_nothing_twice(
    filled, tmp_path, after, every_act, record_property
):
    dropped = dropped_hashes(filled.path / "in/fine-art-canvas")
    acts = sweep_in_child(copied(filled, tmp_path / "counted"))
    assert acts is not None
    assert len(acts) > SPREAD
    step = 1 if every_act else max(1, len(acts) // SPREAD)
    for number in range(1, len(acts) + 1, step):
        root = copied(filled, tmp_path / f"killed-{number}")
        assert sweep_in_child(root, number, after=after) is None, f"act {number} was not reached"
        assert sweep_in_child(root) is not None, (
            f"no end after a kill at act {number}, {acts[number - 1]}"
        )
        check_books(root, dropped)
        shutil.rmtree(root.path)
    record_property("acts", f"{len(range(1, len(acts) + 1, step))} of {len(acts)}")


@pytest.mark.parametrize("kind", ["hot_folder", "results", "held", "originals"])
def test_a_folder_on_another_file_system_is_as_safe(filled, elsewhere, tmp_path, kind, every_act):
    name = {"hot_folder": "in", "results": "out"}.get(kind, kind)
    dropped = dropped_hashes(filled.path / "in/fine-art-canvas")
    file = filled.destinations / "fine-art-canvas.toml"
    there = f'[folders]\n{kind} = "{{}}"\n'

    def moved(number):
        """A copy of the root, one of whose folders is a mount of another file system."""
        root = copied(filled, tmp_path / f"{kind}-{number}")
        place = elsewhere / f"{kind}-{number}"
        shutil.move(root.path / name / "fine-art-canvas", place)
        (root.path / name / "fine-art-canvas").symlink_to(place)
        text = file.read_text() + there.format(place)
        (root.destinations / "fine-art-canvas.toml").write_text(text)
        return root

    acts = sweep_in_child(moved("counted"))
    assert acts is not None
    step = 1 if every_act else max(1, len(acts) // 6)
    for number in range(2, len(acts) + 1, step):
        root = moved(number)
        assert sweep_in_child(root, number, after=True) is None
        assert sweep_in_child(root) is not None, f"no end after act {number}, {acts[number - 1]}"
        check_books(root, dropped)


def test_a_kill_during_recovery_is_recovered_too(filled, tmp_path):
    dropped = dropped_hashes(filled.path / "in/fine-art-canvas")
    for first, second in [(9, 3), (20, 4), (33, 2), (41, 6)]:
        root = copied(filled, tmp_path / f"killed-{first}-{second}")
        assert sweep_in_child(root, first, after=True) is None
        assert sweep_in_child(root, second) is None
        assert sweep_in_child(root) is not None
        check_books(root, dropped)
