"""What a profile's measures mean, in plain words: what, where, what the program does, what to do.

Two kinds: a *doubt* is what a person should look at before printing; `hotfolder check` says it. A
*note* is worth knowing and no reason for doubt; it stands on the page alone.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources
from typing import Final, Literal

import numpy as np

from hotfolder.colour.icc_encode import codes_to_lab
from hotfolder.colour.lookup_tables import LookupTable
from hotfolder.colour.measuring_condition import Condition
from hotfolder.colour.profile import Profile
from hotfolder.colour.profile_measures import (
    ProfileMeasures,
    QuickMeasures,
    TableMeasures,
    Whites,
)
from hotfolder.colour.table_defects import Flaw
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent

MOST_NOISE: Final = 3.0
"""ΔE00 that one colour in a hundred may come back off: the usual tolerance of lost colours."""

LEAST_FALL: Final = 0.5
"""L* by which greys must fall to be said. Good profiles have 0.0."""

LARGEST_STEP: Final = 3.0
"""L* from one grey to the next, half an L* lighter, above which it is said; good profiles: 0.9."""

WHITE_OFF: Final = 1.0
"""ΔE*ab that a profile's own white may be off; good profiles: 0.04."""

WHITE_INKED: Final = 0.02
"""Share of a channel that white may be given; good profiles: 0."""

DARKER_WORTH: Final = 3.0
"""L* by which a black must be within reach to be noted."""

STAIRS_WORTH: Final = 0.0025
"""Share of a table's lines that are stairs, from which on it is said; good profiles: 0.0013."""

_PAPER: Final = ((70.0, 100.5), (-8.0, 8.0), (-15.0, 15.0))
"""L*, a*, b* between which the white of a paper lies, bright and warm ones included."""

_MAKE_ANEW: Final = "Make the profile again, or fetch it again from whoever made it"
_CHANNELS: Final = {
    Encoding.RGB: ("red", "green", "blue"),
    Encoding.CMYK: ("cyan", "magenta", "yellow", "black"),
    Encoding.GREY: ("grey",),
}


@dataclass(frozen=True)
class Finding:
    """One thing about a profile."""

    code: str
    """Short and stable, lower-case words with hyphens."""

    is_doubt: bool
    """Whether a person should look before printing."""

    what: str
    """What was found and where: a sentence without its end."""

    done: str
    """What the program does about it, or that it does nothing: a sentence without its end."""

    to_do: str = ""
    """What a person can do: a sentence without its end; "" for nothing."""

    def sentence(self) -> str:
        """All of it, for a terminal."""
        parts = (self.what, self.done, self.to_do)
        return ". ".join(each[:1].upper() + each[1:] for each in parts if each) + "."


def _doubt(code: str, what: str, done: str, to_do: str = "") -> Finding:
    return Finding(code, is_doubt=True, what=what, done=done, to_do=to_do)


def _note(code: str, what: str, done: str, to_do: str = "") -> Finding:
    return Finding(code, is_doubt=False, what=what, done=done, to_do=to_do)


def find_quickly(profile: Profile, quick: QuickMeasures) -> list[Finding]:
    """Say what `QuickMeasures` means; doubts first."""
    found = [
        *_judge_noise(quick),
        *_judge_tables(profile, quick.tables),
        *_judge_greys(quick),
        *_judge_channels(quick),
        *_judge_whites(profile, quick.whites),
    ]
    return sorted(found, key=lambda each: not each.is_doubt)


def find(measures: ProfileMeasures) -> list[Finding]:
    """Say what all measures mean; doubts first."""
    found = find_quickly(measures.profile, measures.quick)
    if is_invented(measures.profile):
        found.append(
            _doubt(
                "invented",
                "this profile is an invented one of the demo and describes no paper and no printer",
                "it is used as any other",
                "put your printer's own into profiles/ before you print",
            )
        )
    found += _judge_blacks(measures)
    found += _judge_condition(measures.profile, measures.condition)
    return sorted(found, key=lambda each: not each.is_doubt)


def is_invented(profile: Profile) -> bool:
    """Whether a profile is one of those that a new root starts with."""
    return profile.description in _list_invented()


@functools.cache
def _list_invented() -> frozenset[str]:
    folder = resources.files("hotfolder_defaults") / "profiles"
    recipes = (each for each in folder.iterdir() if each.name.endswith(".toml"))
    found = (tomllib.loads(each.read_text("utf-8"))["description"] for each in recipes)
    return frozenset(f"{each} (demo)" for each in found)


def _judge_noise(quick: QuickMeasures) -> Iterator[Finding]:
    if quick.noise is not None and quick.noise.p99 > MOST_NOISE:
        yield _doubt(
            "round-trip",
            f"its two tables disagree: one colour in a hundred comes back more than "
            f"{quick.noise.p99:.1f} ΔE00 off, on average {quick.noise.mean:.1f}",
            f"what is lost by less than {quick.noise.p99:.1f} ΔE00 is not counted as lost; "
            'rendering "refined" computes inks from the measurements and avoids most of it',
            f"{_MAKE_ANEW.lower()}, with more points in its tables",
        )


def _judge_tables(profile: Profile, tables: tuple[TableMeasures, ...]) -> Iterator[Finding]:
    for each in tables:
        name = describe_table(each)
        done = _say_done(each, tables)
        if each.flaws:
            worst = each.flaws[0]
            number = len(each.flaws)
            others = f", and {number - 1} more" if number > 1 else ""
            yield _doubt(
                "table-out-of-line",
                f"{name} has {describe_flaw(profile, each.table, worst)}{others}",
                done,
                _MAKE_ANEW,
            )
        levels = each.levels
        if levels.fewest is not None or levels.stairs_share >= STAIRS_WORTH:
            how = (
                f"all its numbers are rounded to {levels.fewest} levels"
                if levels.fewest is not None
                else f"{_percent(levels.stairs_share)} of its rows rise in stairs"
            )
            yield _doubt(
                "table-posterised",
                f"{name} is posterised: {how}, so even gradients come out in bands",
                done,
                _MAKE_ANEW,
            )
        elif levels.bits == 8:
            yield _note(
                "table-of-8-bits",
                f"{name} has numbers of 8 bits only, which rounds each to 0.2 %",
                'rendering "refined" does not depend on that table\'s roundings'
                if each.table.is_to_device
                else "nothing brings back what was rounded",
            )


def _say_done(each: TableMeasures, tables: tuple[TableMeasures, ...]) -> str:
    if each.table.is_to_device:
        return (
            'rendering "refined" starts at this table and corrects its colours by the '
            "measurements; the intents by themselves print what it says"
        )
    names = {other.table.name for other in tables}
    is_measurements = Intent.RELATIVE_COLORIMETRIC in each.intents or "A2B1" not in names
    if is_measurements:
        return "nothing works around it: proofs, checks and refined colours all rely on this table"
    return "prints do not use this table; pictures that carry this profile would"


def _judge_greys(quick: QuickMeasures) -> Iterator[Finding]:
    for each in quick.greys:
        done = f"{each.intent} prints it as it is; no check of a picture looks for it"
        if each.largest_fall > LEAST_FALL:
            yield _doubt(
                "greys-fall",
                f"greys get darker by {each.largest_fall:.1f} L* where they should get lighter, "
                f"near L* {each.falls_at:.0f} ({each.intent})",
                done,
                _MAKE_ANEW,
            )
        if each.largest_step > LARGEST_STEP:
            at = float(each.wanted[int(np.diff(each.lab[:, 0]).argmax())])
            yield _doubt(
                "greys-jump",
                f"greys jump by {each.largest_step:.1f} L* near L* {at:.0f} ({each.intent})",
                done,
                _MAKE_ANEW,
            )


def _judge_channels(quick: QuickMeasures) -> Iterator[Finding]:
    relied = "everything relies on this: nothing works around it"
    for name, fall in quick.falling_inks:
        yield _doubt(
            "ramp-turns-back",
            f"a ramp of {name} turns back by {fall:.1f} L* on its way from least to most",
            relied,
            _MAKE_ANEW,
        )
    if quick.exchanged_channels:
        yield _doubt(
            "channels-exchanged",
            f"its channels seem to be exchanged: {quick.exchanged_channels}",
            relied,
            _MAKE_ANEW,
        )


def _judge_whites(profile: Profile, whites: Whites) -> Iterator[Finding]:
    off = float(np.linalg.norm(np.array(whites.of_device_white) - [100, 0, 0]))
    if off > WHITE_OFF:
        shown = _lab(whites.of_device_white)
        yield _doubt(
            "white-off",
            f"it says that its own white is {shown} instead of L* 100, a* 0, b* 0",
            "light tones are tinted or veiled by that in all but absolute colorimetric",
            _MAKE_ANEW,
        )
    if profile.device_class != "prtr":
        return
    if max(whites.device_of_white) > WHITE_INKED:
        channel = int(np.argmax(whites.device_of_white))
        yield _doubt(
            "white-inked",
            f"its table puts {_percent(max(whites.device_of_white))} of "
            f"{_CHANNELS[profile.encoding][channel]} on white",
            'paper white would be printed over; rendering "refined" starts there too',
            _MAKE_ANEW,
        )
    if whites.media_lab is None:
        yield _doubt(
            "white-missing",
            "it does not say what colour its paper is (the tag wtpt is missing)",
            "absolute colorimetric and proofs take a perfectly white paper instead",
            _MAKE_ANEW,
        )
    elif not all(
        low <= value <= high for value, (low, high) in zip(whites.media_lab, _PAPER, strict=True)
    ):
        yield _doubt(
            "white-wrong",
            f"it says that its paper is {_lab(whites.media_lab)}, which no paper is",
            "absolute colorimetric and the paper's colour in proofs are wrong by that; relative "
            "and perceptual prints are not",
            _MAKE_ANEW,
        )
    elif np.linalg.norm(np.array(whites.media_lab) - [100, 0, 0]) < 0.2:
        yield _note(
            "white-perfect",
            "it says that its paper is perfectly white",
            "proofs cannot show the paper's colour",
        )


def _judge_blacks(measures: ProfileMeasures) -> Iterator[Finding]:
    *ways, darkest = measures.blacks
    best = min((each.lab[0] for each in ways), default=None)
    if best is not None and best - darkest.lab[0] > DARKER_WORTH:
        yield _note(
            "black-within-reach",
            f"its tables stop at a black of L* {best:.1f}, while its measurements have one of "
            f"L* {darkest.lab[0]:.1f} within the same ink limit",
            "pictures' black is laid on the black of its tables, also by refined",
            "a profile made with more ink in its black would print deeper shadows",
        )


def _judge_condition(profile: Profile, condition: Condition) -> Iterator[Finding]:
    if profile.device_class == "prtr" and not condition.is_said:
        yield _note(
            "condition-unsaid",
            "it does not say how its medium was measured",
            "measures are taken as D50, 2°",
            "a measured strip can only be compared with it by the condition that its maker used",
        )
    elif condition.illuminant not in ("", "D50") or condition.observer not in ("", "2°"):
        light = condition.illuminant or "an unnamed light"
        observer = condition.observer or "an unnamed observer"
        yield _doubt(
            "condition-unusual",
            f"its medium was measured under {light}, for {observer}",
            "its numbers are taken as D50, 2°, as the standard says",
            "ask whoever made it whether they were converted",
        )


def describe_table(each: TableMeasures) -> str:
    """Name a table by what it does."""
    intents = " and ".join(str(intent) for intent in each.intents)
    if each.table.is_to_device:
        return f"the table from colours to device values ({intents})"
    return f"the table from device values to colours ({intents})"


def describe_flaw(profile: Profile, table: LookupTable, flaw: Flaw) -> str:
    """Say what stands out in a table, and where."""
    what = {
        "node": "a point",
        "row": "a row of points",
        "slice": "a whole slice of points",
        "exchanged rows": "two neighbouring rows that changed places",
        "exchanged slices": "two neighbouring slices that changed places",
    }[flaw.kind]
    size = f"{flaw.size:.1f} ΔE out of line"
    if flaw.kind.startswith("exchanged"):
        return f"{what} {describe_place(profile, table, flaw)} ({flaw.size:.1f} ΔE)"
    return f"{what} {describe_place(profile, table, flaw)}, {size}"


def describe_place(profile: Profile, table: LookupTable, flaw: Flaw) -> str:
    """Say where in a table: ``"near L* 50, a* 20, any b*"`` or ``"near 50 % cyan, …"``."""
    inputs = [None if at is None else table.input_at(axis, at) for axis, at in enumerate(flaw.at)]
    if not table.is_to_device:
        names = _CHANNELS[profile.encoding]
        shown = [None if each is None else f"{100 * each:.0f} %" for each in inputs]
        return "near " + ", ".join(
            f"any {name}" if each is None else f"{each} {name}"
            for name, each in zip(names, shown, strict=True)
        )
    if profile.pcs == "Lab ":
        version: Literal["2.4", "4.4"] = "4.4" if table.bits == 8 or profile.is_version_4 else "2.4"
        lab = codes_to_lab([each or 0.0 for each in inputs], version).tolist()
        names, values = ("L*", "a*", "b*"), [f"{each:.0f}" for each in lab]
    else:
        names, values = ("X", "Y", "Z"), [f"{each or 0.0:.2f}" for each in inputs]
    return "near " + ", ".join(
        f"any {name}" if each is None else f"{name} {value}"
        for name, value, each in zip(names, values, inputs, strict=True)
    )


def _lab(lab: tuple[float, float, float]) -> str:
    return "L* {:.1f}, a* {:.1f}, b* {:.1f}".format(*lab)


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"
