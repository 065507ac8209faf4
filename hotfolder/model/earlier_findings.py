"""What records say that were made before stages said what their findings mean.

The one place in `hotfolder` that names stages and their findings, as versions before facts wrote
them; it does not grow.
"""

from __future__ import annotations

from hotfolder.model.facts import Facts, Findings, flag_in, number_in, text_in
from hotfolder.model.records import WorkRecord


def find_facts(record: WorkRecord) -> Facts:
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
    found: dict[str, Findings] = {**record.findings}
    gamut, ink, page = (found.get(each) for each in ("gamut-check", "ink-check", "page-balance"))
    neutral = found.get("neutral-check")
    by_hue = (gamut or {}).get("lost_by_hue")
    return Facts(
        share_lost=number_in(gamut, "out_of_gamut_share"),
        lost_in_words=text_in(gamut, "lost_in_words"),
        tolerance_delta_e_00=number_in(gamut, "effective_tolerance_delta_e_00"),
        delta_e_mean=number_in(gamut, "delta_e_00", "mean"),
        delta_e_p95=number_in(gamut, "delta_e_00", "p95"),
        delta_e_max=number_in(gamut, "delta_e_00", "max"),
        hues={hue: number_in(by_hue, hue) or 0.0 for hue in by_hue}
        if isinstance(by_hue, dict)
        else {},
        effective_ppi=number_in(found.get("preflight"), "effective_ppi"),
        wanted_ppi=_find_wanted_ppi(record),
        ink_max_percent=number_in(ink, "max_percent"),
        ink_limit_percent=number_in(ink, "limit_percent"),
        ink_above_share=number_in(ink, "above_limit_share"),
        is_black_and_white=flag_in(neutral, "monochrome"),
        cast_chroma=number_in(neutral, "worst_cast", "chroma"),
        mean_lightness=number_in(page, "mean_lightness"),
        grey_share=number_in(page, "grey_share"),
        grey_a=number_in(page, "grey_a"),
        grey_b=number_in(page, "grey_b"),
    )


def _find_wanted_ppi(record: WorkRecord) -> float | None:
    for each in record.stages:
        if each.stage == "preflight":
            warns, holds = (
                number_in(each.settings, f"{key}_below_ppi") for key in ("warn", "hold")
            )
            return warns or holds
    return None
