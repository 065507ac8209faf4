"""A stage at work: what it costs, whose fault a failure is, and whether it keeps its promise.

Generators pull from each other, so the time of one holds that of all below it; and an error comes
up through all of them. Here the seconds and the errors of each are told apart.
"""

from __future__ import annotations

import contextlib
import errno
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from hotfolder.errors import HotfolderError, StageError, Verdict
from hotfolder.raster.picture import Band, RasterSpec
from hotfolder.stages.contract import AnyStage
from hotfolder.stages.job import Job

FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
"""Errors by which a disk says that it has no room."""
_OF_THE_SYSTEM = {
    errno.EIO, errno.ENOMEM, errno.EMFILE, errno.ENFILE, errno.EAGAIN, errno.EROFS, errno.ESTALE,
    errno.EINTR,
}  # fmt: skip
"""Errors by which a disk, or a system without resources, lets a stage down."""


@dataclass
class Step:
    """A stage at work, and what it has cost so far; ``spec`` is what it promised to yield."""

    stage: AnyStage
    job: Job
    spec: RasterSpec | None = None
    elapsed_s: float = 0.0
    rows: int = 0

    @property
    def share(self) -> float:
        """How much of its result it has yielded, 0 … 1."""
        return self.rows / self.spec.height_px if self.spec else 0.0

    @contextlib.contextmanager
    def watched(self) -> Iterator[None]:
        """Count time, and put the stage's name on whatever it raises."""
        started = time.perf_counter()
        try:
            yield
        except Verdict as verdict:
            verdict.stage = verdict.stage or self.stage.name
            raise
        except (HotfolderError, MemoryError):
            raise
        except OSError as error:
            if error.errno in FULL:
                raise
            if error.errno in _OF_THE_SYSTEM:
                raise HotfolderError(f"{_failed(self.stage, error)}") from error
            raise _failed(self.stage, error) from error
        except Exception as error:
            raise _failed(self.stage, error) from error
        finally:
            self.elapsed_s += time.perf_counter() - started


def _failed(stage: AnyStage, error: Exception) -> StageError:
    return StageError(stage.name, f"failed: {type(error).__name__}: {error}")


def read_bands(bands: Iterator[Band]) -> Iterator[Band]:
    """Put the reader's name on what goes wrong in it, before a stage's is put there."""
    with reading():
        yield from bands


@contextlib.contextmanager
def reading() -> Iterator[None]:
    """Put the reader's name on what goes wrong when rows of the original are read."""
    try:
        yield
    except Verdict as verdict:
        verdict.stage = verdict.stage or "reading"
        raise
    except OSError as error:
        if error.errno in FULL:
            raise
        raise HotfolderError(f"the original cannot be read to its end: {error}") from error
    except (HotfolderError, MemoryError):
        raise
    except Exception as error:  # else the first stage would be blamed for it
        said = f"the original cannot be read to its end: {type(error).__name__}: {error}"
        raise HotfolderError(said) from error


def pull_bands(step: Step, source: Iterator[Band]) -> Iterator[Band]:
    """The stage's bands, checked against what its `open` promised.

    The time of a step holds the time of the steps below it, since a generator pulls; what the
    source took is subtracted as it is pulled.
    """
    pulled = _Pulled(source)
    with step.watched():
        made = iter(step.stage.bands(pulled))
    top = 0
    while True:
        before = pulled.elapsed_s
        with step.watched():
            band = next(made, None)
            if band is not None:
                _check_band(step, band, top)
        step.elapsed_s -= pulled.elapsed_s - before
        if band is None:
            break
        top += band.rows
        yield band
    if step.spec and top != step.spec.height_px:
        said = f"yielded {top} rows; it promised {step.spec.height_px}"
        raise StageError(step.stage.name, said)


class _Pulled:
    """An iterator that knows how long its source took."""

    def __init__(self, source: Iterable[Band]) -> None:
        self._source = iter(source)
        self.elapsed_s = 0.0

    def __iter__(self) -> Iterator[Band]:
        return self

    def __next__(self) -> Band:
        started = time.perf_counter()
        try:
            return next(self._source)
        finally:
            self.elapsed_s += time.perf_counter() - started


def check_spec(step: Step, spec: object) -> RasterSpec:
    """Return what a stage's `open` promised, if it is a promise at all."""
    if not isinstance(spec, RasterSpec):
        said = f"returned {type(spec).__name__} from open; it must return a RasterSpec"
        raise StageError(step.stage.name, said)
    return spec


def _check_band(step: Step, band: Band, top: int) -> None:
    spec = step.spec
    if spec is None:
        return
    expected = (band.rows, spec.width_px, spec.channels)
    if band.top != top or band.pixels.shape != expected or band.pixels.dtype != "uint16":
        raise StageError(
            step.stage.name,
            f"yielded a band at row {band.top} of shape {band.pixels.shape} and type "
            f"{band.pixels.dtype}; it promised row {top}, {expected}, uint16",
        )
    if (band.alpha is not None) != spec.has_alpha:
        said, promised = ("without", "one") if spec.has_alpha else ("with", "none")
        promise = f"yielded a band {said} alpha; it promised {promised}"
        raise StageError(step.stage.name, promise)
