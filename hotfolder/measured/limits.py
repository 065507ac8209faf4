"""Sets of limits: files that say how far a measured print may be off, and where that is from.

Those of the program are beside this module; one of the same name in the root's ``limits/`` takes
its place. A set that is not checked against its source is off until a person turns it on.
"""

from __future__ import annotations

import importlib.resources
import tomllib
from collections.abc import Mapping
from typing import Annotated, Final

from pydantic import Field, ValidationError

from hotfolder.errors import Problem, SettingsError
from hotfolder.model.destination import SettingsModel
from hotfolder.settings.root import Root

_Most = Annotated[float, Field(gt=0, le=100)]
_MAX_BYTES: Final = 2**16


class LimitsTable(SettingsModel):
    """The table ``[limits]``: the most that each number of a verdict may be."""

    mean_delta_e_00: _Most | None = None
    """Mean ΔE00 of all patches."""
    p95_delta_e_00: _Most | None = None
    """ΔE00 that 95 % of the patches stay below."""
    max_delta_e_00: _Most | None = None
    """ΔE00 of the worst patch."""
    paper_delta_e_00: _Most | None = None
    """ΔE00 of the paper."""
    grey_delta_c_mean: _Most | None = None
    """Mean ΔCh of the greys."""
    grey_delta_c_max: _Most | None = None
    """ΔCh of the worst grey."""
    solid_cmy_delta_e_00_max: _Most | None = None
    """ΔE00 of the worst of solid cyan, magenta and yellow; CMYK only."""
    solid_black_delta_e_00: _Most | None = None
    """ΔE00 of solid black ink; CMYK only."""


class LimitSet(SettingsModel):
    """A file ``limits/NAME.toml``."""

    title: str
    """What people call it."""
    source: Annotated[str, Field(min_length=1)]
    """Where its numbers are from."""
    checked: bool
    """Whether they were compared with that source."""
    enabled: bool = False
    """Whether verdicts are given by it."""
    limits: LimitsTable
    """The numbers."""

    def is_within(self, numbers: Mapping[str, float | None]) -> bool | None:
        """Say whether numbers are within all limits; None when one of them is not known."""
        most = {key: each for key, each in self.limits if each is not None}
        values = {key: numbers.get(key) for key in most}
        if not most or any(each is None for each in values.values()):
            return None
        return all(each is not None and each <= most[key] for key, each in values.items())


def load_limits(root: Root) -> dict[str, LimitSet]:
    """Read every set of limits, the program's and the root's, by name.

    Raises
    ------
    SettingsError
        When one of the root's is wrong.
    """
    files: dict[str, tuple[str, bytes]] = {}
    own = importlib.resources.files("hotfolder.measured").joinpath("sets")
    for each in own.iterdir():
        if each.name.endswith(".toml"):
            files[each.name.removesuffix(".toml")] = each.name, each.read_bytes()
    problems: list[Problem] = []
    for path in sorted(root.limits.glob("*.toml")) if root.limits.is_dir() else []:
        try:
            with path.open("rb") as file:
                files[path.stem] = str(path), file.read(_MAX_BYTES)
        except OSError as error:
            problems.append(Problem(str(path), "", error.strerror or str(error), "a TOML file"))
    found = {}
    for name, (where, data) in sorted(files.items()):
        try:
            found[name] = LimitSet.model_validate(tomllib.loads(data.decode("utf-8")))
        except ValidationError as error:
            first = error.errors()[0]
            key = ".".join(map(str, first["loc"]))
            problems.append(Problem(where, key, first["msg"], "a number of a set of limits"))
        except ValueError as error:
            problems.append(Problem(where, "", str(error), "a TOML file"))
    if problems:
        raise SettingsError(problems)
    return found
