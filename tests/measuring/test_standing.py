"""How a medium stands, by the latest of its verdicts, and where that is said."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from hotfolder.errors import StorageError
from hotfolder.measured.book import Book
from hotfolder.measured.control_strip import remember_strip
from hotfolder.measured.standing import find_standing
from hotfolder.measured.verdict import judge
from hotfolder.pages.words import describe_standing
from hotfolder.settings.files import load_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from measuring import files

NAME = "fine-art-canvas"


@pytest.fixture
def destination(root):
    return load_destination(root.destinations / f"{NAME}.toml", load_registry(), Intake())


def measure(root, destination, strip, lab):
    remember_strip(root, strip)
    book = Book(root, destination.name)
    book.folder.mkdir(parents=True, exist_ok=True)
    verdict = judge(
        files.cgats(strip, lab).encode(),
        name="s.txt",
        kept="kept/s.txt",
        sha256="0" * 64,
        new_batch=False,
        destination=destination.name,
        profile=destination.profile,
        strips=[strip],
        make_strip="hotfolder strip",
        limits={},
        earlier=book.read(),
    )
    book.append(verdict)
    return verdict


def test_a_medium_that_was_never_measured_says_so(root, destination):
    standing = find_standing(root, destination)
    assert not standing.is_verified
    assert "Never measured" == describe_standing(standing)[0]


def test_the_latest_verdict_counts(root, destination, strip, printed):
    first = measure(root, destination, strip, printed)
    last = measure(root, destination, strip, printed + np.array([0.5, 0, 0]))
    now = datetime.now(UTC) + timedelta(days=8)
    standing = find_standing(root, destination, now)
    assert standing.is_verified
    assert last.mean_delta_e_00 == standing.mean_delta_e_00 != first.mean_delta_e_00
    assert last.from_first.mean_delta_e_00 == standing.drifted_delta_e_00
    assert 8 == pytest.approx(standing.age_s / 86400, abs=0.01)
    value, note = describe_standing(standing)
    assert f"8 days ago: {last.mean_delta_e_00:.1f} ΔE00 off" in value
    assert "first accepted print" in note
    assert (len(strip.patches), last.lab) == (len(standing.expected), standing.found)


def test_a_torn_line_at_the_end_hides_nothing(root, destination, strip, printed):
    measure(root, destination, strip, printed)
    with (root.measured / NAME / "verdicts.jsonl").open("ab") as log:
        log.write(b'{"version": 1, "dest')
    assert find_standing(root, destination).is_verified


def test_a_log_that_cannot_be_read_is_our_own_trouble(root, destination):
    (root.measured / NAME / "verdicts.jsonl").mkdir(parents=True)
    with pytest.raises(StorageError, match="what was measured for fine-art-canvas"):
        find_standing(root, destination)
