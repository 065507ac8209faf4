"""The verdict on a measured strip: how far the print is from the profile, and whether it drifts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np

from hotfolder.colour.arrays import Floats
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.profile import Profile
from hotfolder.measured.causes import describe_change
from hotfolder.measured.control_strip import ControlStrip
from hotfolder.measured.drift import FAMILY_LIMIT, Charted, chart
from hotfolder.measured.limits import LimitSet
from hotfolder.measured.matching import check_plausible, find_strip, match_patches
from hotfolder.measured.reading import read_measurement
from hotfolder.measured.records import Drift, FromFirst, Verdict
from hotfolder.measured.table import NotUsable

_PRIOR_SD: Final = {"paper": 0.25, "grey": 0.25, "black": 0.3, "chroma": 0.25, "mean": 0.2}
"""Standard deviation from print to print of each kind of number; our own judgement."""


def judge(
    data: bytes,
    *,
    name: str,
    kept: str,
    sha256: str,
    new_batch: bool,
    destination: str,
    profile: Profile,
    strips: list[ControlStrip],
    make_strip: str,
    limits: Mapping[str, LimitSet],
    earlier: Sequence[Verdict],
    now: datetime | None = None,
) -> Verdict:
    """Read a measurement and say what it means.

    Parameters
    ----------
    data
        The whole file.
    new_batch
        A person has said that this is the first print on new paper.
    strips
        All that the root remembers.
    make_strip
        The command that makes one of this destination.
    earlier
        Verdicts on this destination, oldest first.
    now
        When it is judged; by default by the clock.

    Raises
    ------
    NotUsable
        Says what is wrong with the file.
    """
    measured = read_measurement(data, name)
    strip = find_strip(measured, name, strips, destination, profile.sha256, make_strip)
    rows = match_patches(measured, strip)
    lab = measured.lab[rows]
    last = earlier[-1] if earlier else None
    goes_on = last is not None and last.strip == strip.id and not new_batch
    before = [each for each in earlier if last and each.chart == last.chart] if goes_on else []
    # a batch that a person has vouched for has its own paper
    vouched = new_batch or any("new-batch/" in each.kept for each in before)
    check_plausible(lab, strip, [measured.where[each] for each in rows], other_paper=vouched)
    said = {each.condition for each in before if each.condition}
    if measured.condition and said and measured.condition not in said:
        raise NotUsable(
            f"it was measured in condition {measured.condition}, the earlier prints in "
            f"{' and '.join(sorted(said))}: they cannot be compared. Measure it again"
        )
    numbers = _numbers(lab, strip)
    moment = now or datetime.now(UTC)
    begun = datetime.fromisoformat(before[0].judged) if before else moment
    prints = [np.array(each.lab) for each in before] + [lab]
    files = [each.file for each in before] + [name]
    drift = _drift(prints, files, strip)
    within = {key: each.is_within(numbers) for key, each in limits.items() if each.enabled}
    return Verdict(
        destination=destination,
        strip=strip.id,
        profile_sha256=strip.profile_sha256,
        file=name,
        kept=kept,
        sha256=sha256,
        judged=moment.strftime("%Y-%m-%dT%H:%M:%SZ"),
        chart=last.chart + (not goes_on) if last else 1,
        condition=measured.condition,
        backing=measured.backing,
        made_from=measured.kind,
        worst_patch=strip.patches[int(np.argmax(delta_e_00(lab, strip.lab)))].name,
        within={key: each for key, each in within.items() if each is not None},
        from_first=_from_first(prints, strip) if before else None,
        drift=drift,
        words=tuple(
            _words(prints, files, strip, profile, drift, measured.condition, moment - begun)
        ),
        lab=tuple((round(L, 4), round(a, 4), round(b, 4)) for L, a, b in lab.tolist()),
        **numbers,
    )


def _numbers(lab: Floats, strip: ControlStrip) -> dict[str, Any]:
    apart = delta_e_00(lab, strip.lab)
    (paper,) = strip.of_kind("paper")
    greys = strip.of_kind("grey")
    cast = np.hypot(*(lab - strip.lab)[greys, 1:].T)  # ΔCh: of a* and b* alone
    solids = strip.of_kind("solid")
    found = {
        "mean_delta_e_00": apart.mean(),
        "p95_delta_e_00": np.quantile(apart, 0.95),
        "max_delta_e_00": apart.max(),
        "paper_delta_e_00": apart[paper],
        "grey_delta_c_mean": cast.mean(),
        "grey_delta_c_max": cast.max(),
        "solid_cmy_delta_e_00_max": apart[solids[:3]].max() if solids else None,
        "solid_black_delta_e_00": apart[solids[3]] if solids else None,
    }
    return {key: None if each is None else round(float(each), 3) for key, each in found.items()}


def followed(lab: Floats, strip: ControlStrip) -> dict[str, float]:
    """Return the numbers of a print that are charted, with their signs."""
    paper, greys = lab[strip.of_kind("paper")[0]], lab[strip.of_kind("grey")].mean(axis=0)
    colours = lab[strip.of_kind("colour", "solid")]
    return {
        "paper_l": float(paper[0]),
        "paper_a": float(paper[1]),
        "paper_b": float(paper[2]),
        "grey_l": float(greys[0]),
        "grey_a": float(greys[1]),
        "grey_b": float(greys[2]),
        "black_l": float(lab[strip.of_kind("black")[0], 0]),
        "chroma": float(np.hypot(colours[:, 1], colours[:, 2]).mean()) if len(colours) else 0.0,
        "mean_l": float(lab[:, 0].mean()),
    }


def chart_prints(prints: Sequence[Floats], strip: ControlStrip) -> dict[str, Charted]:
    """Follow each number of `followed` over prints, the first accepted one first.

    Parameters
    ----------
    prints
        Colours of the strip's patches, each of shape (n, 3); at least one print.
    """
    numbers = [followed(each, strip) for each in prints]
    return {
        key: chart([each[key] for each in numbers], _PRIOR_SD[key.partition("_")[0]], FAMILY_LIMIT)
        for key in numbers[0]
    }


def _drift(prints: list[Floats], files: list[str], strip: ControlStrip) -> dict[str, Drift]:
    made = {}
    for key, found in chart_prints(prints, strip).items():
        made[key] = Drift(
            value=round(found.value, 3),
            ewma=round(found.ewma, 3),
            limit=round(found.limit, 3),
            alarm=found.alarm,
            since=None if found.since is None else files[found.since],
            new=found.alarmed_at == len(prints) - 1,
        )
    return made


def _from_first(prints: list[Floats], strip: ControlStrip) -> FromFirst:
    apart = delta_e_00(prints[-1], prints[0])
    (paper,) = strip.of_kind("paper")
    return FromFirst(
        mean_delta_e_00=round(float(apart.mean()), 3),
        max_delta_e_00=round(float(apart.max()), 3),
        paper_delta_e_00=round(float(apart[paper]), 3),
    )


def _words(
    prints: list[Floats],
    files: list[str],
    strip: ControlStrip,
    profile: Profile,
    drift: Mapping[str, Drift],
    condition: str | None,
    age: timedelta,
) -> list[str]:
    said, lab = [], prints[-1]
    alarmed = {key: each for key, each in drift.items() if each.alarm}
    if alarmed:
        since = max(alarmed.values(), key=lambda each: abs(each.ewma)).since
        # all prints before the change, so that the noise of one of them counts less
        before = np.mean(prints[: max(1, files.index(since) if since in files else 1)], axis=0)
        is_new = any(each.new for each in alarmed.values())
        said.append(
            f"The medium {'has drifted' if is_new else 'is still off'}; the first print concerned "
            f"is that of {since}. "
            f"{describe_change(lab, before, strip, profile, _say_than(age))}"
        )
    elif float(delta_e_00(lab, strip.lab).mean()) > 2:
        said.append(f"Against the profile: {describe_change(lab, strip.lab, strip, profile)}")
    if condition is None:
        said.append(
            "In which condition it was measured (M0, M1, M2 or M3) is not said; put it into the "
            "file's name next time, as in 'strip M1.txt'."
        )
    return said


def _say_than(age: timedelta) -> str:
    """Say with what a print is compared, by how long ago the first of its chart was."""
    if age.days < 2:
        return " than before"
    if age.days < 14:
        return f" than {age.days} days ago"
    return f" than {round(age.days / 7)} weeks ago"
