"""What records say that were made before stages said what their findings mean.

The one place in `hotfolder` that names stages and their findings, as versions before facts wrote
them; it does not grow.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from hotfolder.model.facts import Facts, flag_in, number_in, text_in
from hotfolder.model.records import LogLine, WorkRecord

_NOTHING: Final = Facts()


def find_facts(record: WorkRecord | LogLine) -> Facts:
    """Return what was measured of a job, whatever version recorded it.

    Parameters
    ----------
    record
        Of the job. What has another shape in it than expected is not there.

    Returns
    -------
    The record's own facts, or those that its findings are known to mean.
    """
    if record.facts is not None:
        return record.facts
    facts = _NOTHING
    if found := record.findings.get("gamut-check"):
        by_hue = found.get("lost_by_hue")
        facts = Facts(
            share_lost=number_in(found, "out_of_gamut_share"),
            lost_in_words=text_in(found, "lost_in_words"),
            tolerance_delta_e_00=number_in(found, "effective_tolerance_delta_e_00"),
            delta_e_mean=number_in(found, "delta_e_00", "mean"),
            delta_e_p95=number_in(found, "delta_e_00", "p95"),
            delta_e_max=number_in(found, "delta_e_00", "max"),
            hues={hue: number_in(by_hue, hue) or 0.0 for hue in by_hue}
            if isinstance(by_hue, dict)
            else {},
        )
    if found := record.findings.get("preflight"):
        facts = replace(
            facts,
            effective_ppi=number_in(found, "effective_ppi"),
            wanted_ppi=_find_wanted_ppi(record),
        )
    if found := record.findings.get("ink-check"):
        facts = replace(
            facts,
            ink_max_percent=number_in(found, "max_percent"),
            ink_limit_percent=number_in(found, "limit_percent"),
            ink_above_share=number_in(found, "above_limit_share"),
        )
    if found := record.findings.get("neutral-check"):
        facts = replace(
            facts,
            is_black_and_white=flag_in(found, "monochrome"),
            cast_chroma=number_in(found, "worst_cast", "chroma"),
        )
    if found := record.findings.get("page-balance"):
        facts = replace(
            facts,
            mean_lightness=number_in(found, "mean_lightness"),
            grey_share=number_in(found, "grey_share"),
            grey_a=number_in(found, "grey_a"),
            grey_b=number_in(found, "grey_b"),
        )
    return facts


def _find_wanted_ppi(record: WorkRecord | LogLine) -> float | None:
    for each in record.stages:
        if each.stage == "preflight":
            warns, holds = (
                number_in(each.settings, f"{key}_below_ppi") for key in ("warn", "hold")
            )
            return warns or holds
    return None
