"""How a destination's medium stands, by the latest of its verdicts."""

from __future__ import annotations

from datetime import UTC, datetime

from hotfolder.errors import StorageError
from hotfolder.measured.book import Book
from hotfolder.measured.control_strip import recall_strip
from hotfolder.model.standing import MediumStanding
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root


def find_standing(
    root: Root, destination: Destination, now: datetime | None = None
) -> MediumStanding:
    """Say how a medium stands; the latest verdict counts, whatever the profile is by now.

    Raises
    ------
    StorageError
        When what was measured cannot be read.
    """
    try:
        last = Book(root, destination.name).read_last()
        strip = recall_strip(root, destination.name, last.strip) if last else None
    except OSError as error:
        raise StorageError(
            f"what was measured for {destination.name} cannot be read: "
            f"{error.filename}: {error.strerror or error}"
        ) from error
    if last is None:
        return MediumStanding()
    moment = datetime.fromisoformat(last.judged)
    alarmed = [each for each in last.drift.values() if each.alarm]
    worst = max(alarmed, key=lambda each: abs(each.ewma), default=None)
    return MediumStanding(
        measured=last.judged,
        age_s=max(0.0, ((now or datetime.now(UTC)) - moment).total_seconds()),
        profile_is_current=last.profile_sha256 == destination.profile.sha256,
        mean_delta_e_00=last.mean_delta_e_00,
        paper_delta_e_00=last.paper_delta_e_00,
        drifted_delta_e_00=last.from_first.mean_delta_e_00 if last.from_first else 0.0,
        has_alarm=last.has_alarm,
        since=(worst.since or "") if worst else "",
        within=last.within,
        words=" ".join(last.words),
        expected=tuple(each.lab for each in strip.patches) if strip else (),
        found=last.lab if strip else (),
    )
