"""Kill -9 at every outside act of a sweep, then sweep again: nothing lost, nothing twice.

The acts are counted by a sweep that is left alone, so a new act is tried without being listed.
`pytest tests/faults --every-act` tries all; without it, a sample: each kind of act once, half of
them with a kill before the act and half with one after it.
"""

from __future__ import annotations

import shutil

import pytest

from faults.killing import check_books, choose, copied, dropped_hashes, sample, sweep_in_child

SAMPLE = 7
SAMPLE_ELSEWHERE = 3
KINDS = ("hot_folder", "results", "held", "originals")


def test_a_sample_is_spread_and_turns_choose_other_kinds():
    acts = ["add", "rename", "flush", "flush", "end"] * 20
    first, second = sample(acts, 2), sample(acts, 2, turn=1)
    kinds = [acts[number - 1] for number in first + second]
    assert ["add", "end", "flush", "rename"] == sorted(kinds)
    for low, high in (first, second):
        assert 1 <= low <= 50 < high <= 100
    assert [1, 2, 3] == choose(acts[:3], 2, every=True)
    assert all(number > 60 for number in sample(acts, 4, first=61))


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
    numbers = choose(acts, SAMPLE, every=every_act, turn=int(after))
    for number in numbers:
        root = copied(filled, tmp_path / f"killed-{number}")
        assert sweep_in_child(root, number, after=after) is None, f"act {number} was not reached"
        assert sweep_in_child(root) is not None, (
            f"no end after a kill at act {number}, {acts[number - 1]}"
        )
        check_books(root, dropped)
        shutil.rmtree(root.path)
    record_property("acts", f"{len(numbers)} of {len(acts)}")


def test_a_kill_leaves_no_file_away_of_a_job_that_makes_several(filled, tmp_path, every_act):
    file = filled.destinations / "fine-art-canvas.toml"
    text = file.read_text()
    assert 'format = "tiff"' in text
    file.write_text(text.replace('format = "tiff"', 'format = "tiff"\nalso = ["webp", "png"]'))
    dropped = dropped_hashes(filled.path / "in/fine-art-canvas")
    acts = sweep_in_child(copied(filled, tmp_path / "counted"))
    assert acts is not None
    for number in choose(acts, SAMPLE_ELSEWHERE, every=every_act, turn=5):
        root = copied(filled, tmp_path / f"killed-{number}")
        assert sweep_in_child(root, number, after=True) is None
        assert sweep_in_child(root) is not None, f"no end after act {number}, {acts[number - 1]}"
        check_books(root, dropped)
        made = [each.name for each in (root.path / "out/fine-art-canvas").rglob("mud*")]
        assert ["mud.png", "mud.png", "mud.tif", "mud.tif", "mud.webp", "mud.webp"] == sorted(made)
        shutil.rmtree(root.path)


@pytest.mark.parametrize("kind", KINDS)
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
    turn = KINDS.index(kind)
    for number in choose(acts, SAMPLE_ELSEWHERE, every=every_act, turn=turn, first=2):
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
