"""Every error that hotfolder raises on purpose.

::

    HotfolderError
    ├── SettingsError        a settings file, a profile or a folder of this root is wrong
    ├── PluginError          a stage cannot be loaded
    │   └── StageError       a stage fails at its work, or breaks its contract
    ├── Verdict              this file cannot simply be delivered; the original is kept
    │   ├── Hold             a person has to decide
    │   └── Refuse           the file cannot be processed at all
    └── StorageError         our own storage is in the way: the file is fine and waits
        ├── RootInUse        another process serves this root
        └── Unreachable      a hot folder cannot be read (in `intake`)

`Verdict` is about the file, `StorageError` about us: the first ends a job, the second
never does. Each leaf carries what a person needs: what happened, where, and what to do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Self


class HotfolderError(Exception):
    """Root of all errors raised on purpose.

    See Also
    --------
    Hold, Refuse, SettingsError, StageError, StorageError
    """

    exit_code = 1
    """What the command line returns."""


_LONGEST_PATH = 400


def shorten_path(text: str) -> str:
    """Leave out the middle of a very long path, for people; its last part stays whole.

    Examples
    --------
    >>> shorten_path("/shoots/2026/reeds.tif")
    '/shoots/2026/reeds.tif'
    """
    head, slash, name = text.rpartition("/")
    if len(text) <= _LONGEST_PATH or not slash or "`" in text:  # a command is copied
        return text
    return f"{head[: max(20, _LONGEST_PATH - len(name) - 2)]}…/{name}"


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with the settings."""

    file: str
    """Path of the file, as text."""
    key: str
    """Dotted key in it, or ``""`` for the whole file."""
    got: str
    """The value found, as text."""
    allowed: str
    """What would be right."""
    line: int | None = None
    """Where in the file, from 1; None when that is not known."""
    meant: str = ""
    """A word that is known and resembles the one found."""

    @property
    def advice(self) -> str:
        """What would be right, as the end of a sentence; "" when nobody knows."""
        if not self.meant:
            return f"allowed: {self.allowed}" if self.allowed else ""
        return f"did you mean {self.meant}? Allowed: {self.allowed}"

    def __str__(self) -> str:
        file, key, got = shorten_path(self.file), shorten_path(self.key), self.got
        if " " not in got:  # else it may be a sentence, which ends elsewhere than its last path
            got = shorten_path(got)
        where = file if self.line is None else f"{file}, line {self.line}"
        where = f"{where}: {key}" if key else where
        found = f": {got}" if got else ""
        return f"{where}{found}; {self.advice}" if self.advice else f"{where}{found}"


FOR_ANY_ROOT = "`hotfolder init ROOT`"
"""The command that makes what is missing, where nobody knows of a root: `Root.fill_in` does."""


@dataclass(frozen=True)
class Remedy:
    """A change by which a held picture is delivered: a way on that a person can choose.

    One of the four last is given, or none: then it is enough to try again.

    Examples
    --------
    >>> Remedy("print it smaller", long_edge="254 mm").options("preflight")
    ('--long-edge', '254 mm')
    """

    says: str
    """What it does, as the end of a sentence: ``"deliver it at 254 × 169 mm, ..."``."""
    settings: Mapping[str, str | int | float | bool] = field(default_factory=dict)
    """New values for settings of the stage that holds the picture; a key with a dot, as
    ``reading.above_white``, is of another table."""
    long_edge: str = ""
    """Another size, with its unit."""
    intent: str = ""
    """Another rendering intent."""
    rendering: str = ""
    """Another rendering, as ``"refined"``; see `hotfolder.Way`."""

    def options(self, stage: str) -> tuple[str, ...]:
        """Return it as words for the command ``release``.

        Parameters
        ----------
        stage
            The stage that holds the picture.

        Returns
        -------
        Options and their values, in turn.
        """
        words = [word for key, value in self.settings.items()
                 for word in ("--set", _say_setting(stage, key, value))]  # fmt: skip
        asked = {"long-edge": self.long_edge, "intent": self.intent, "rendering": self.rendering}
        for option, value in asked.items():
            words += [f"--{option}", value] if value else []
        return tuple(words)


def _say_setting(stage: str, key: str, value: str | float | bool) -> str:  # noqa: FBT001 - as below
    return f"{key if '.' in key else f'{stage}.{key}'}={_say_value(value)}"


def _say_value(value: str | float | bool) -> str:  # noqa: FBT001 - a setting's value
    return str(value).lower() if isinstance(value, bool) else str(value)


class SettingsError(HotfolderError):
    """Settings that cannot be used.

    Parameters
    ----------
    problems
        Every one that was found, not only the first.
    """

    exit_code = 4

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in problems))


class PluginError(HotfolderError):
    """A stage that cannot be loaded or breaks its contract; says whose it is."""

    exit_code = 5


class StageError(PluginError):
    """A stage that failed at its work. The file is not to blame, the stage's author is.

    Parameters
    ----------
    stage
        Its name.
    said
        What it did, after "the stage NAME".
    """

    def __init__(self, stage: str, said: str) -> None:
        self.stage = stage
        super().__init__(f"the stage {stage} {said}")


class Verdict(HotfolderError):
    """A file that cannot simply be delivered.

    Parameters
    ----------
    code
        Short, stable, lower-case word with hyphens, for records and queries: ``"no-profile"``.
    message
        One or two plain sentences for the person who dropped the file: what, and what to do.
    findings
        What the stage measured all the same, as `Stage.close` would have returned it.
    excess
        How far beyond its limit the picture is: what was measured over the limit, or the limit
        over what was measured where less is worse; the larger, the worse. None: it has no degree.
        A release waives the check up to the value that it was decided at.
    remedies
        Changes that let the picture pass, the best first; each has to be true.
    also
        What else the same stage would hold the picture for.

    The runner sets ``stage`` to the name of the stage that raised it.
    """

    def about(self, name: str) -> Self:
        """Return the same verdict with what it is about in front of its message.

        Parameters
        ----------
        name
            What it is about, as of a file.

        Returns
        -------
        The verdict, with all else that it says.
        """
        return type(self)(
            self.code,
            f"{name}: {self.message}",
            self.findings,
            excess=self.excess,
            remedies=self.remedies,
            also=self.also,
        )

    def __init__(
        self,
        code: str,
        message: str,
        findings: Mapping[str, object] | None = None,
        *,
        excess: float | None = None,
        remedies: Sequence[Remedy] = (),
        also: Sequence[Verdict] = (),
    ) -> None:
        self.code = code
        self.message = message
        self.findings = dict(findings or {})
        self.excess = excess
        self.remedies = tuple(remedies)
        self.also = tuple(also)
        self.stage = ""
        super().__init__(message)


class Hold(Verdict):
    """A person has to decide. Raised by a stage; ends the job as *held*.

    Examples
    --------
    >>> raise Hold("too-dark", "The picture is nearly black. Lighten it and drop it again.")
    Traceback (most recent call last):
    hotfolder.errors.Hold: The picture is nearly black. Lighten it and drop it again.
    """


class Refuse(Verdict):
    """The file cannot be processed. Raised by a reader or a stage; ends the job as *refused*.

    Examples
    --------
    >>> raise Refuse("no-picture", "There is no picture in this file.")
    Traceback (most recent call last):
    hotfolder.errors.Refuse: There is no picture in this file.
    """


class StorageError(HotfolderError):
    """Our own disk, share or ledger is in the way. Jobs wait; no attempt is counted.

    See Also
    --------
    Verdict : what is about the file, and ends its job
    """

    exit_code = 6


class RootInUse(StorageError):
    """Another process serves this root; the message names it."""

    exit_code = 7
