"""What several pages and commands say in the same words: times, lengths of time, changes.

Times are local, with the name of the zone.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from hotfolder.model.destination import Viewing
    from hotfolder.model.records import Changes
    from hotfolder.model.standing import MediumStanding


def local_time(moment: str | datetime, *, seconds: bool = False) -> str:
    """Say a moment by the clocks here, to the minute: "2026-11-25 21:07 CET".

    Parameters
    ----------
    moment
        With its zone or offset; text as records have it, or "" for no moment.
    seconds
        Say the seconds too.

    Returns
    -------
    The time, with the zone's abbreviation or else its offset (``UTC+05:45``), since an hour comes
    twice when clocks are put back; "" for "".
    """
    if moment == "":
        return ""
    there = datetime.fromisoformat(moment) if isinstance(moment, str) else moment
    there = there.astimezone()
    return f"{there:{'%Y-%m-%d %H:%M:%S' if seconds else '%Y-%m-%d %H:%M'}} {_name_zone(there)}"


def describe_standing(standing: MediumStanding) -> tuple[str, str]:
    """Say how a medium stands: what is so, and what follows from it.

    Parameters
    ----------
    standing
        By its latest control strip.

    Returns
    -------
    A phrase without its end, and sentences.

    Examples
    --------
    >>> from hotfolder.model.standing import MediumStanding
    >>> describe_standing(MediumStanding())
    ('Never measured', 'What is shown is what its profile says; a control strip proves it.')
    """
    if not standing.measured:
        note = "What is shown is what its profile says; a control strip proves it."
        return "Never measured", note
    when = local_time(standing.measured)[:10]
    if not standing.profile_is_current:
        return "Not measured with this profile", f"The last strip, of {when}, was of another one."
    days = int(standing.age_s // 86400)
    ago = "today" if days == 0 else f"{days} day{'' if days == 1 else 's'} ago"
    value = f"{when}, {ago}: {standing.mean_delta_e_00:.1f} ΔE00 off"
    note = (
        f"On average, from what its profile says; paper {standing.paper_delta_e_00:.1f}; from its "
        f"first accepted print {standing.drifted_delta_e_00:.1f}."
    )
    if standing.has_alarm:
        note += f" It has drifted, from the print of {standing.since} on."
    return value, note


def say_standing(standing: MediumStanding) -> str:
    """Say how a medium stands, in sentences.

    Examples
    --------
    >>> from hotfolder.model.standing import MediumStanding
    >>> say_standing(MediumStanding())
    'Medium: never measured. What is shown is what its profile says; a control strip proves it.'
    """
    value, note = describe_standing(standing)
    return f"{title_standing(standing)}: {value[0].lower()}{value[1:]}. {note}"


def title_standing(standing: MediumStanding) -> str:
    """Return what stands before the phrase of `describe_standing`, which may say "measured" too.

    Parameters
    ----------
    standing
        By its latest control strip.

    Returns
    -------
    A title: ``"Medium measured"`` or ``"Medium"``.
    """
    return "Medium measured" if standing.measured and standing.profile_is_current else "Medium"


_PLACES: Final = {
    "booth P1": "In a booth, ISO 3664 P1: 2000 lx, D50",
    "booth P2": "In a booth, ISO 3664 P2: 500 lx, D50",
    "studio": "In the studio's light",
    "wall": "On the wall where it will hang",
    "display": "On a display",
}


def describe_viewing(viewing: Viewing) -> str:
    """Say in which light a result is judged.

    Parameters
    ----------
    viewing
        The medium's table ``[medium.viewing]``.

    Returns
    -------
    One line without its end.

    Examples
    --------
    >>> from hotfolder.model.destination import Viewing
    >>> describe_viewing(Viewing(where="wall", illuminance="150 lx", colour_of_light="2700 K"))
    'On the wall where it will hang: 150 lx, 2700 K'
    """
    said = []
    if viewing.illuminance is not None:
        said.append(f"{viewing.illuminance:g} lx")
    if viewing.luminance is not None:
        said.append(f"white of {viewing.luminance:g} cd/m²")
    if viewing.colour_of_light is not None:
        said.append(f"{viewing.colour_of_light:g} K")
    if viewing.lamp is not None:
        said.append(f"lamp {viewing.lamp}")
    if viewing.display_profile:
        said.append(f"profiled to {viewing.display_profile}")
    return f"{_PLACES[viewing.where]}{': ' if said else ''}{', '.join(said)}"


def describe_changes(changes: Changes) -> str:
    """Say what a person changed when releasing, as it is written in a destination's file.

    Examples
    --------
    >>> describe_changes({"sizing": {"long_edge": "24 in"}})
    'sizing.long_edge = "24 in"'
    """
    return "; ".join(
        f"{stage}.{key} = {json.dumps(value, ensure_ascii=False)}"
        for stage, settings in changes.items()
        for key, value in settings.items()
    )


def clock_time(moment_s: float) -> str:
    """Say a moment of these days by the clocks here: "22:00 CET".

    Parameters
    ----------
    moment_s
        Seconds since 1970-01-01 00:00 UTC.
    """
    there = datetime.fromtimestamp(moment_s, UTC).astimezone()
    return f"{there:%H:%M} {_name_zone(there)}"


def _name_zone(there: datetime) -> str:
    """An abbreviation; where the system has none ("+0545", "… Standard Time"), the offset."""
    name = there.tzname() or ""
    return name if name.isalpha() else f"UTC{there.isoformat()[-6:]}"


def duration(seconds: float | None) -> str:
    """Say a length of time as a person would; "" for None.

    Examples
    --------
    >>> [duration(each) for each in (None, 20, 400, 9000)]
    ['', 'less than a minute', 'about 7 min', 'about 2 h 30 min']
    """
    if seconds is None:
        return ""
    minutes = round(seconds / 60)
    if minutes < 1:
        return "less than a minute"
    return f"about {minutes} min" if minutes < 60 else f"about {minutes // 60} h {minutes % 60} min"
