"""Run one original through the stages of its destination: reader ▸ stage ▸ … ▸ writer.

Everything here happens in a worker process. The chain is plain composition of generators;
`work.step` says which stage a fault or a second belongs to, and `work.describing` puts into words
what came of it.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from typing import Literal

from pydantic import TypeAdapter, ValidationError
from pydantic.types import JsonValue

from hotfolder.colour.kept_points import keep_in, save_new
from hotfolder.errors import (
    Hold,
    Refuse,
    Remedy,
    StageError,
    StorageError,
    Verdict,
)
from hotfolder.model.destination import Result
from hotfolder.model.records import (
    OriginalRecord,
    ProfileRecord,
    Reason,
    ResultRecord,
    StageRecord,
    WayOn,
    WorkRecord,
)
from hotfolder.model.wishes import IntentWish, LongEdgeWish, Wish
from hotfolder.raster.complete import container_end
from hotfolder.raster.picture import Band, RasterSpec
from hotfolder.raster.reading import OpenedOriginal, ReadLimits, open_original
from hotfolder.settings.changes import grant
from hotfolder.settings.files import Destination
from hotfolder.settings.variants import list_variants
from hotfolder.stages.contract import Stage
from hotfolder.stages.job import Job, Original
from hotfolder.stages.messages import ColoursAhead
from hotfolder.stages.registry import Registry
from hotfolder.work.ahead import one_ahead
from hotfolder.work.describing import (
    collect_facts,
    describe_attachments,
    describe_original,
    describe_result,
    versions,
)
from hotfolder.work.order import SMALL_PICTURE, Order
from hotfolder.work.outcome import Outcome, join_outcomes, name_folder
from hotfolder.work.several import Written, open_results, write_results
from hotfolder.work.small_picture import write_small_picture
from hotfolder.work.step import FULL, Step, check_spec, pull_bands, read_bands, reading

_FINDINGS = TypeAdapter(dict[str, JsonValue])

_WHOLE_SHARE = 0.5
"""Of a job's memory (limits.memory): what a picture may need that is decoded as a whole. The rest
is for the stages."""
_ALMOST = 0.99
"""What there is to do after the last band: what stages say of the whole, the hash of the result."""

Progress = Callable[[str, float], None]
"""Called with what is being done and the share done, 0 … 1; by several threads, one at a time."""


def run(order: Order, destination: Destination, registry: Registry, progress: Progress) -> Outcome:
    """Work on one original; the result, if any, is a file in ``order.folder``.

    Raises
    ------
    StageError
        When a stage fails or breaks its contract; names the stage.
    StorageError
        When the disk of the spool is full.
    """
    keep_in(order.points)
    try:
        outcome = _run_all(order, destination, registry, progress)
        return replace(outcome, not_kept=save_new())
    except OSError as error:
        if error.errno in FULL:
            raise StorageError(f"no room for the result in {order.folder}: {error}") from error
        raise


def _run_all(
    order: Order, destination: Destination, registry: Registry, progress: Progress
) -> Outcome:
    """Make every result that the destination makes of a picture, one after the other."""
    variants = list_variants(destination)
    if len(variants) == 1 or order.only_foresees or order.only_shows:
        return _Chain(order, variants[0][1], registry).run(progress)
    outcomes: list[tuple[str, Outcome]] = []
    for number, (name, made_so) in enumerate(variants):

        def tell(doing: str, share: float, number: int = number) -> None:
            progress(doing, (number + share) / len(variants))

        folder = name_folder(order.folder, number)
        folder.mkdir()
        # each is a document of its own, and what it says of itself depends on no machine
        begun = order.begun + timedelta(microseconds=number)
        chain = _Chain(replace(order, folder=folder, begun=begun), made_so, registry)
        outcomes.append((name, chain.run(tell)))
    name, first = outcomes[0]
    if first.verdict == "deliver" and any(each.verdict != "deliver" for _, each in outcomes):
        # it is held for another's sake, and people look at the first: its page is made after all
        folder = name_folder(order.folder, 0)
        shutil.rmtree(folder)
        folder.mkdir()
        shown = replace(order, folder=folder, always_shows=True)
        outcomes[0] = name, _Chain(shown, variants[0][1], registry).run(progress)
    return join_outcomes(outcomes, order.folder)


@dataclass
class _Chain:
    order: Order
    destination: Destination
    registry: Registry
    reasons: list[Reason] = field(default_factory=list)
    findings: dict[str, dict[str, JsonValue]] = field(default_factory=dict)
    steps: list[Step] = field(default_factory=list)
    original: OriginalRecord | None = None
    job: Job | None = None
    started: float = field(default_factory=time.perf_counter)
    telling: threading.Lock = field(default_factory=threading.Lock)

    def run(self, progress: Progress) -> Outcome:
        try:
            self._check_arrived()
            with open_original(
                self.order.original,
                name=self.order.name,
                scratch=self.order.folder,
                limits=ReadLimits(
                    max_whole_bytes=int(self.destination.file.limits.memory * _WHOLE_SHARE)
                ),
                reading=self.destination.file.reading,
                sidecar=self.order.sidecar,
            ) as opened:
                return self._with_original(opened, progress)
        except (Hold, Refuse) as verdict:
            self._note(verdict)
            return self._outcome("hold" if isinstance(verdict, Hold) else "refuse")

    def _check_arrived(self) -> None:
        """Intake has waited long enough: a picture that is still not whole is not delivered."""
        end = container_end(self.order.original)
        if end.complete:
            return
        said = f"{self.order.name} is not whole: {end.reason}"
        if end.certain:
            raise Refuse("not-whole", f"{said} Copy it, or export it, again.")
        raise Hold(
            "perhaps-not-whole",
            f"{said} If it is, copy it again; if it is meant so, "
            "save it with compression and drop it again.",
        )

    def _with_original(self, opened: OpenedOriginal, progress: Progress) -> Outcome:
        original = Original(
            name=self.order.name,
            bytes=self.order.bytes,
            sha256=self.order.sha256,
            format=opened.format,
            bits=opened.bits,
            spec=opened.spec,
            pages=opened.pages,
            notes=opened.notes,
            pixel_aspect=opened.pixel_aspect,
            cut_share=opened.cut_share,
            cut_above=opened.cut_above,
        )
        self.original = describe_original(original)
        if self.order.only_shows:
            write_small_picture(opened, self.order.folder / SMALL_PICTURE)
            return self._outcome("deliver")
        self.job = job = self._job(original)
        for note in opened.notes:
            if note not in opened.harmless:
                job.warn("read-with-a-note", note, by="reading")
        spec = opened.spec
        for name in self.destination.file.stages:
            self.steps.append(self._step(name, job))
        for step in self.steps:
            with step.watched():
                step.stage.announce(step.job)
        if opened.gives_any_rows:
            job.tell(_colours_of(opened))
        if self.order.only_foresees:
            self._open_stages(job, spec, original)
            return self._outcome("hold" if self.reasons else "deliver")
        # its first bands come while the stages open, which leaves all cores but one idle
        with one_ahead(read_bands(opened.bands()), "reader") as bands:
            spec = self._open_stages(job, spec, original)
            return self._through_stages(job, bands, spec, progress)

    def _open_stages(self, job: Job, spec: RasterSpec, original: Original) -> RasterSpec:
        """Have every stage say what it makes of a picture; return what the last one makes."""
        for step in self.steps:
            if not step.stage.settings.looks_only():
                job.end_of_pixels()
            with step.watched():
                spec = check_spec(step, step.stage.open(spec, step.job))
            step.spec = spec
            if not (step.stage.keeps_colours or step.stage.settings.looks_only()):
                job.end_of_colours()  # the stage itself has them as they come in
        self._record_assumed(original)
        for step in self.steps:
            with self._holding(), step.watched():
                step.stage.review(spec)
        return spec

    def _through_stages(
        self, job: Job, bands: Iterator[Band], spec: RasterSpec, progress: Progress
    ) -> Outcome:
        result, folder = self.destination.file.result, self.order.folder
        with _writing(folder, spec, result) as files, contextlib.ExitStack() as threads:
            write_results(files, self._flow(bands, progress, threads), spec, folder)
        for note in dict.fromkeys(note for each in files for note in each.writer.notes):
            job.warn("written-with-a-note", note, by="writing")
        progress("checking", 1.0)
        with ThreadPoolExecutor(1) as aside:
            written = [aside.submit(describe_result, each, spec) for each in files]
            for step in self.steps:
                with self._holding(), step.watched():
                    self._keep(step.stage.name, step.stage.close())
            verdict: Literal["deliver", "hold"] = "hold" if self.reasons else "deliver"
            if self._is_shown(verdict):
                for step in self.steps:
                    with step.watched():
                        step.stage.present()
        return self._outcome(verdict, *(each.result() for each in written))

    def _step(self, name: str, job: Job) -> Step:
        made = self.registry.stages[name]
        try:
            stage = made(self.destination.stage_settings[name])
        except Exception as error:
            raise StageError(name, f"failed: {type(error).__name__}: {error}") from error
        return Step(stage, job.given_to(made))

    def _job(self, original: Original) -> Job:
        return Job(
            id=self.order.job,
            destination=self.destination.name,
            medium=self.destination.file.medium,
            result=self.destination.file.result,
            original=original,
            profile=self.destination.profile,
            profiles=self.order.profiles,
            root=self.order.root,
            folder=self.order.folder,
            begun=self.order.begun,
            is_trial=self.order.is_trial,
            all_neighbours=self.order.neighbours,
            standing=self.order.standing,
            reasons=self.reasons,
        )

    def _flow(
        self, bands: Iterator[Band], progress: Progress, threads: contextlib.ExitStack
    ) -> Iterator[Band]:
        """The bands of the last stage; every stage's own time is what it took less its source.

        Reading and every stage that looks at pixels are in threads of their own, one band ahead of
        who takes it, so that what one cannot share out among the cores leaves none of them idle.
        """
        for step in self.steps:
            bands = self._told(step, pull_bands(step, bands), progress)
            if type(step.stage).bands is not Stage.bands:
                bands = threads.enter_context(one_ahead(bands, step.stage.name))
        return bands

    def _told(self, step: Step, bands: Iterator[Band], progress: Progress) -> Iterator[Band]:
        """Tell the furthest stage that has begun to yield, and the mean share of all stages.

        A stage that needs the whole picture before it yields is half of the way then.
        """
        for band in bands:
            step.rows += band.rows
            with self.telling:
                if not any(later.rows for later in self.steps[self.steps.index(step) + 1 :]):
                    share = sum(each.share for each in self.steps) / len(self.steps)
                    progress(step.stage.name, min(share, _ALMOST))
            yield band

    @contextlib.contextmanager
    def _holding(self) -> Iterator[None]:
        """Keep a hold for the end, so that the pixels are made all the same."""
        try:
            yield
        except Hold as hold:
            self._note(hold)

    def _note(self, verdict: Verdict) -> None:
        stage = verdict.stage or "reading"
        for each in (verdict, *verdict.also):
            self.reasons.append(
                Reason(
                    stage=stage,
                    code=each.code,
                    message=each.message,
                    excess=each.excess,
                    ways_on=tuple(
                        WayOn(says=remedy.says, options=remedy.options(stage))
                        for remedy in each.remedies
                        if self._can_grant(remedy)
                    ),
                )
            )
        if verdict.findings:
            self._keep(stage, verdict.findings)

    def _can_grant(self, remedy: Remedy) -> bool:
        """Whether this destination's stages can do what a remedy wishes of them."""
        wishes: list[Wish] = [LongEdgeWish(remedy.long_edge)] if remedy.long_edge else []
        wishes += [IntentWish(remedy.intent)] if remedy.intent else []
        try:
            granted = [grant(wish, self.destination) for wish in wishes]
            for stage, changes in (each for found in granted for each in found.items()):
                own = self.destination.file.stage.get(stage, {})
                self.registry.stages[stage].Settings.model_validate({**own, **changes})
        except (StageError, ValidationError):
            return False
        return all(granted)

    def _keep(self, name: str, findings: Mapping[str, object]) -> None:
        try:
            self.findings[name] = _FINDINGS.validate_python(dict(findings), strict=True)
            json.dumps(self.findings[name], allow_nan=False)
        except (TypeError, ValueError, ValidationError) as error:
            said = f"returned findings that are not JSON values: {error}"
            raise StageError(name, said) from error

    def _record_assumed(self, original: Original) -> None:
        """Say in the record which profile was taken for an original that had none."""
        embedded = original.spec.profile is not None and not original.spec.profile_assumed
        if embedded or self.original is None:
            return
        for step in self.steps:
            if step.spec and step.spec.profile_assumed and step.spec.profile:
                profile = step.spec.profile
                assumed = ProfileRecord(
                    description=profile.description, sha256=profile.sha256, assumed=True
                )
                self.original = self.original.model_copy(update={"profile": assumed})
                return

    def _is_shown(self, verdict: str) -> bool:
        """Whether people are to look at the job: at a held one always."""
        is_wanted = self.order.is_trial or self.destination.file.keep_sheets == "all"
        is_wanted = is_wanted or self.order.always_shows
        return verdict == "hold" or is_wanted

    def _outcome(
        self, verdict: Literal["deliver", "hold", "refuse"], *results: ResultRecord
    ) -> Outcome:
        original = self.original or OriginalRecord(
            name=self.order.name, sha256=self.order.sha256, bytes=self.order.bytes
        )
        stages = tuple(
            StageRecord(
                stage=step.stage.name,
                elapsed_s=round(step.elapsed_s, 4),
                settings=step.stage.settings.model_dump(mode="json"),
            )
            for step in self.steps
        )
        announced = self.job.attachments if self.job else ()
        facts, left_out = collect_facts(stages, self.findings, self.registry)
        return Outcome(
            verdict,
            WorkRecord(
                original=original,
                results=results,
                attachments=describe_attachments(announced, self.order.folder),
                reasons=tuple(self.reasons),
                warnings=self.job.warnings if self.job else (),
                findings=self.findings,
                facts=facts,
                facts_left_out=left_out,
                stages=stages,
                versions=versions(),
                elapsed_s=round(time.perf_counter() - self.started, 4),
            ),
        )


def _colours_of(opened: OpenedOriginal) -> ColoursAhead:
    """Say how the colours of an original can be looked at beside its bands, or before them."""

    def read(rows: Sequence[range]) -> list[Band]:
        with reading():
            return opened.pieces(rows)

    return ColoursAhead(opened.spec.width_px, opened.spec.height_px, read)


@contextlib.contextmanager
def _writing(folder: Path, spec: RasterSpec, result: Result) -> Iterator[tuple[Written, ...]]:
    """Open the results; what a format cannot hold is refused in the writer's name."""
    with contextlib.ExitStack() as opened:
        try:
            files = opened.enter_context(open_results(folder, spec, result))
        except Verdict as verdict:
            verdict.stage = "writing"
            raise
        yield files
