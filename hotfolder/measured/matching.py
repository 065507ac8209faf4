"""Which row of a measurement is which patch of a strip, and whether it is that strip at all."""

from __future__ import annotations

import itertools
import re
from typing import Final

import numpy as np
import scipy

from hotfolder.colour.arrays import Floats
from hotfolder.colour.difference import delta_e_00
from hotfolder.measured.control_strip import STRIP_ID, ControlStrip
from hotfolder.measured.reading import Measurement
from hotfolder.measured.table import NotUsable
from hotfolder.model.encoding import colours_in_words

_SCALES: Final = (1.0, 100.0, 255.0, 65535.0)
"""What programs call full."""
_DEVICE_NEAR: Final = 0.0075
"""A value may be rounded to a whole per cent, and the patch to a whole 255th."""
_SUSPECT: Final = 4.0
"""Mean ΔE00 below which nobody need ask whether rows or columns are in another order."""
_MUCH_BETTER: Final = 0.45
"""Another order that leaves less than this share of the differences is the right one."""
_FAR: Final = 25.0
"""Mean ΔE00 of another strip's colours; our own choice, above what one clogged ink makes."""
_OTHER_PAPER: Final = 6.0
"""ΔE00 between papers that are not the same medium; our own choice."""
_AXES: Final = ("L*", "a*", "b*")
_UNNUMBERED: Final = re.compile(r"0*(\d{1,6})")


def find_strip(
    measured: Measurement,
    name: str,
    strips: list[ControlStrip],
    destination: str,
    profile: str,
    make_strip: str,
) -> ControlStrip:
    """Find out which strip was measured.

    Parameters
    ----------
    name
        Of the file; an id in it, or in the file, counts.
    strips
        All that this root remembers.
    destination
        In whose folder it was dropped.
    profile
        SHA-256 of the profile that it has now.
    make_strip
        The command that makes a strip of it.

    Raises
    ------
    NotUsable
        When it is another destination's, of an earlier profile, or not known.
    """
    by_id = {each.id: each for each in strips}
    said = " ".join([name, *measured.head, *measured.head.values()]).lower()
    named = [by_id[each] for each in dict.fromkeys(STRIP_ID.findall(said)) if each in by_id]
    if len(named) > 1:
        ids = ", ".join(each.id for each in named)
        raise NotUsable(f"file and name speak of several strips ({ids}); name the one that it is")
    own = [each for each in strips if each.destination == destination]
    if named:
        (found,) = named
    else:
        current = [each for each in own if each.profile_sha256 == profile]
        fitting = [each for each in current if len(each.patches) == len(measured.lab)]
        if not own:
            raise NotUsable(
                f"no control strip was made for {destination} yet: `{make_strip}` makes one; "
                "drop what is measured of its print"
            )
        if not fitting:
            numbers = ", ".join(str(len(each.patches)) for each in current or own)
            raise NotUsable(
                f"the file has {len(measured.lab)} patches, the strip of {destination} has "
                f"{numbers}: it is another strip, or rows are missing"
            )
        if len(fitting) > 1:
            ids = ", ".join(each.id for each in fitting)
            raise NotUsable(
                f"it could be each of the strips {ids}; put the id that is printed on it into the "
                "file's name, and drop it again"
            )
        (found,) = fitting
    if found.destination != destination:
        raise NotUsable(
            f"it is the strip {found.id} of {found.destination}: put the file into "
            f"measured/{found.destination}/"
        )
    if found.profile_sha256 != profile:
        raise NotUsable(
            f"the strip {found.id} was made with the profile {found.profile!r}, and {destination} "
            "has another one now: print a new strip"
        )
    return found


def match_patches(measured: Measurement, strip: ControlStrip) -> list[int]:
    """Say for each patch of a strip in which row its colour is.

    Device values are the surest key, names come next, then the order. Where a file has several,
    they have to agree.

    Raises
    ------
    NotUsable
        Says which patch is missing, twice, or not of this strip, and where.
    """
    by_device = _by_device(measured, strip)
    if by_device is None:
        found = _by_name(measured, strip, ("name", "place", "id"))
        return _by_number(measured, strip) if found is None else found
    # places and ids are the program's own where it has device values
    by_name = _by_name(measured, strip, ("name",)) or by_device
    for patch, one, two in zip(strip.patches, by_device, by_name, strict=True):
        if one != two:
            raise NotUsable(
                f"{measured.where[one]}: by its device values it is {patch.name}, and by name "
                f"{measured.where[two]} is: the file was mixed up"
            )
    return by_device


def check_plausible(
    lab: Floats, strip: ControlStrip, where: list[str], *, other_paper: bool
) -> None:
    """Make sure that colours are those of a strip, on its medium, in the right order.

    Parameters
    ----------
    lab
        As measured, in the order of the strip's patches: shape (n, 3).
    where
        Of each patch, for people.
    other_paper
        A person has said that the paper is a new one.

    Raises
    ------
    NotUsable
        Says what it looks like instead.
    """
    expected = strip.lab
    mean = float(np.mean(delta_e_00(lab, expected)))
    if mean > _SUSPECT:
        _check_columns(lab, expected, mean)
        _check_order(lab, strip, where, mean)
    (paper,) = strip.of_kind("paper")
    apart = float(delta_e_00(lab[paper], expected[paper]))
    if apart > _OTHER_PAPER and not other_paper:
        raise NotUsable(
            f"{where[paper]}: the paper is {_say(lab[paper])}, and {_say(expected[paper])} by the "
            f"profile, {apart:.1f} ΔE00 apart: it is another medium, or measured on another "
            "backing. If it is right, as for a new batch of paper, put the file into new-batch/"
        )
    if mean > _FAR:
        raise NotUsable(
            f"the colours are {mean:.0f} ΔE00 on average from those of the strip {strip.id}: it is "
            "another strip, or it was printed with a conversion of colours"
        )


def _check_columns(lab: Floats, expected: Floats, mean: float) -> None:
    for order in list(itertools.permutations(range(3)))[1:]:
        swapped = float(np.mean(delta_e_00(lab[:, order], expected)))
        if swapped < _MUCH_BETTER * mean:
            named = ", ".join(_AXES[each] for each in order)
            raise NotUsable(
                f"columns are swapped: read as {named}, the colours are {swapped:.1f} ΔE00 from "
                f"the strip's, as the file has them {mean:.1f}"
            )


def _check_order(lab: Floats, strip: ControlStrip, where: list[str], mean: float) -> None:
    cost = delta_e_00(lab[:, None], strip.lab[None])
    rows, patches = scipy.optimize.linear_sum_assignment(cost)
    if float(cost[rows, patches].mean()) >= _MUCH_BETTER * mean:
        return
    wrong = next(int(row) for row, patch in zip(rows, patches, strict=True) if row != patch)
    name, like = strip.patches[wrong].name, strip.patches[int(patches[wrong])].name
    raise NotUsable(
        f"{where[wrong]}: patch {name} looks like {like}: the patches were measured in another "
        f"order, or it is not the strip {strip.id}"
    )


def _by_device(measured: Measurement, strip: ControlStrip) -> list[int] | None:
    group = {1: "grey", 3: "rgb", 4: "cmyk"}[strip.device.shape[1]]
    if group not in measured.device:
        other = next(iter(measured.device), None)
        if other is not None:
            raise NotUsable(
                f"{measured.where[0]}: its device values are {colours_in_words(other)}, and those "
                f"of the strip {strip.id} are {colours_in_words(group)}: it is another strip"
            )
        return None
    values = measured.device[group]
    by_scale = {
        scale: np.abs(values[:, None] / scale - strip.device[None]).max(axis=2) for scale in _SCALES
    }
    # both ways: at too large a scale every row is near black
    scale = min(
        by_scale,
        key=lambda each: sum(float(np.median(by_scale[each].min(axis=side))) for side in (0, 1)),
    )
    apart = by_scale[scale]
    found: dict[int, int] = {}
    for row, (far, place) in enumerate(zip(apart.min(axis=1), apart.argmin(axis=1), strict=True)):
        where = measured.where[row]
        if far > _DEVICE_NEAR:
            shown = ", ".join(f"{each:g}" for each in values[row])
            raise NotUsable(
                f"{where}: no patch of the strip {strip.id} has the device values {shown}; it is "
                "another strip, or columns are swapped"
            )
        _note(found, int(place), row, measured, strip)
    return _all_of(found, measured, strip)


def _by_name(measured: Measurement, strip: ControlStrip, keys: tuple[str, ...]) -> list[int] | None:
    names = {each.name: place for place, each in enumerate(strip.patches)}
    for key in keys:
        said = [each.upper() for each in measured.keys.get(key, ())]
        known = [each in names for each in said]
        if not any(known):
            continue
        if not all(known):
            row = known.index(False)
            raise NotUsable(
                f"{measured.where[row]}: the strip {strip.id} has no patch {said[row][:40]!r}"
            )
        found: dict[int, int] = {}
        for row, each in enumerate(said):
            _note(found, names[each], row, measured, strip)
        return _all_of(found, measured, strip)
    return None


def _by_number(measured: Measurement, strip: ControlStrip) -> list[int]:
    """By the numbers in the file where it has them, else by the order of rows."""
    number = len(strip.patches)
    rows = list(range(len(measured.lab)))
    for key in ("id", "name"):
        said = [_UNNUMBERED.fullmatch(each) for each in measured.keys.get(key, ())]
        if said and all(said):
            numbers = [int(each.group(1)) for each in said if each]
            least = 0 if min(numbers) == 0 else 1
            rows = [each - least for each in numbers]
            break
    found: dict[int, int] = {}
    for row, place in enumerate(rows):
        if place >= number:
            raise NotUsable(
                f"{measured.where[row]}: it is patch number {place + 1}, but the strip "
                f"{strip.id} has {number}"
            )
        _note(found, place, row, measured, strip)
    return _all_of(found, measured, strip)


def _note(
    found: dict[int, int], place: int, row: int, measured: Measurement, strip: ControlStrip
) -> None:
    if place in found:
        raise NotUsable(
            f"{measured.where[row]}: the patch {strip.patches[place].name} is there twice, also in "
            f"{measured.where[found[place]]}; keep the reading that counts"
        )
    found[place] = row


def _all_of(found: dict[int, int], measured: Measurement, strip: ControlStrip) -> list[int]:
    missing = [each.name for place, each in enumerate(strip.patches) if place not in found]
    if missing:
        raise NotUsable(
            f"{measured.where[-1]}: {', '.join(missing[:6])}"
            f"{f' and {len(missing) - 6} more' if len(missing) > 6 else ''} of the strip "
            f"{strip.id} did not come: measure all its patches"
        )
    return [found[place] for place in range(len(strip.patches))]


def _say(lab: Floats) -> str:
    return "L* {:.1f} a* {:.1f} b* {:.1f}".format(*lab)
