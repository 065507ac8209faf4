"""The page about a profile: what stands out in words, then pictures that are read at a glance.

Colours in the pictures are those of the profile, relative to its white, clipped to sRGB. All else
is grey, and every colour has its number beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from markupsafe import Markup

from hotfolder.colour import SRGB_CURVE, SRGB_PRIMARIES
from hotfolder.colour.profile import Profile
from hotfolder.colour.profile_measures import HUE_BINS, LIGHTNESS_BINS, ProfileMeasures
from hotfolder.colour.profile_reach import (
    EDGE_HUE_BINS,
    EDGE_LIGHTNESS_BINS,
    Gamut,
    measure_gamut,
)
from hotfolder.colour.spaces import rgb_profile
from hotfolder.overview.lab_hex import lab_to_hex
from hotfolder.overview.profile_findings import Finding, describe_flaw, describe_table
from hotfolder.pages.frame import load_template, source_hash, style, text_of

SLICES = (20, 35, 50, 65, 80, 90)
"""L* of the slices shown."""

_SLICE_REACH = 120
"""a* and b* to each side in a slice."""

_PATCHES = 41
_PLOT_WIDTH, _PLOT_HEIGHT = 400, 300
_BLACKEST_SHOWN = 40.0
_LEVELS = (1.0, 2.0, 3.0, 5.0)
"""ΔE00 from which on a cell of the round trip is darker."""

_HUE_NAMES = (
    "pink", "red", "orange", "yellow", "yellow-green", "green", "turquoise", "cyan", "azure",
    "blue", "violet", "magenta",
)  # fmt: skip


@dataclass(frozen=True)
class _Cell:
    shown: str
    p95: str
    level: int


def make_page(measures: ProfileMeasures, findings: Sequence[Finding]) -> str:
    """Make the page: one file that needs nothing else."""
    look = style({}, text_of("hotfolder.pages", "profile.css"))
    profile = measures.profile
    return load_template("hotfolder.pages", "profile.html").render(
        name=profile.description,
        profile=profile,
        measures=measures,
        doubts=[each for each in findings if each.is_doubt],
        notes=[each for each in findings if not each.is_doubt],
        ramps=_draw_ramps(measures),
        slices=_draw_slices(measures.gamut) if measures.gamut else (),
        srgb_volume=_srgb_gamut().volume,
        cells=_list_cells(measures),
        hues=_list_hues(),
        blacks=_draw_blacks(measures),
        tables=_list_tables(measures),
        reach=_SLICE_REACH,
        levels=_LEVELS,
        style=Markup(look),  # noqa: S704 - ours
        style_hash=source_hash(look),
    )


def summarise(measures: ProfileMeasures, findings: Sequence[Finding]) -> dict[str, object]:
    """Say the same for a program: JSON values, units in the keys."""
    profile, quick, condition = measures.profile, measures.quick, measures.condition
    trip = measures.round_trip
    return {
        "description": profile.description,
        "sha256": profile.sha256,
        "version": profile.version,
        "device_class": profile.device_class,
        "space": profile.space.strip(),
        "created": None if measures.created is None else measures.created.isoformat(),
        "doubts": [vars(each) for each in findings if each.is_doubt],
        "notes": [vars(each) for each in findings if not each.is_doubt],
        "measured_under": {
            "observer": condition.observer or None,
            "geometry": condition.geometry or None,
            "illuminant": condition.illuminant or None,
            "target": dict(condition.target),
            "has_target": condition.has_target,
        },
        "ink_limit_percent": None
        if measures.ink_limit is None
        else round(100 * measures.ink_limit, 1),
        "gamut_volume_cubic_lab": None if measures.gamut is None else round(measures.gamut.volume),
        "round_trip_delta_e_00": None
        if trip is None
        else {
            **trip.noise.summary(),
            "mean_by_lightness_and_hue": [
                [None if np.isnan(each) else round(float(each), 3) for each in row]
                for row in trip.mean
            ],
        },
        "blacks": [
            {
                "name": each.name,
                "lab": [round(value, 2) for value in each.lab],
                "device_percent": [round(100 * value, 1) for value in each.device],
            }
            for each in measures.blacks
        ],
        "greys": [
            {
                "intent": str(each.intent),
                "largest_fall_lightness": round(each.largest_fall, 3),
                "largest_step_lightness": round(each.largest_step, 3),
            }
            for each in quick.greys
        ],
        "tables": [
            {
                "tag": each.table.name,
                "intents": [str(intent) for intent in each.intents],
                "points": list(each.table.sides),
                "bits": each.levels.bits,
                "stairs_share": round(each.levels.stairs_share, 5),
                "levels": each.levels.fewest,
                "flaws": [
                    {
                        "kind": flaw.kind,
                        "at": list(flaw.at),
                        "where": describe_flaw(profile, each.table, flaw),
                        "size_delta_e_ab": round(flaw.size, 2),
                    }
                    for flaw in each.flaws[:20]
                ],
            }
            for each in quick.tables
        ],
        "media_white_lab": None
        if quick.whites.media_lab is None
        else [round(each, 2) for each in quick.whites.media_lab],
    }


@cache
def _srgb_gamut() -> Gamut:
    return measure_gamut(Profile.parse(rgb_profile("sRGB", SRGB_PRIMARIES, SRGB_CURVE)), None)


def _draw_ramps(measures: ProfileMeasures) -> list[dict[str, object]]:
    """A strip of patches and a line for each intent; the first is what is wanted."""
    found: list[dict[str, object]] = []
    wanted = np.linspace(0, 100, _PATCHES)
    found.append(
        {
            "name": "wanted",
            "patches": [lab_to_hex(np.array([L, 0.0, 0.0])) for L in wanted],
            "line": f"0,{_PLOT_HEIGHT} {_PLOT_WIDTH},0",
            "tint": None,
            "fall": 0.0,
        }
    )
    for each in measures.quick.greys:
        lab = np.stack(
            [np.interp(wanted, each.wanted, each.lab[:, lane]) for lane in range(3)], axis=-1
        )
        line = " ".join(
            f"{_PLOT_WIDTH * L / 100:.1f},{_PLOT_HEIGHT * (1 - made / 100):.1f}"
            for L, made in zip(each.wanted, each.lab[:, 0], strict=True)
        )
        found.append(
            {
                "name": str(each.intent),
                "patches": [lab_to_hex(colour) for colour in lab],
                "line": line,
                "tint": float(np.hypot(each.lab[:, 1], each.lab[:, 2]).max()),
                "fall": each.largest_fall,
            }
        )
    return found


def _draw_slices(gamut: Gamut) -> list[dict[str, object]]:
    """The gamut at some lightnesses: sectors in their colours, and sRGB's edge."""
    found: list[dict[str, object]] = []
    turn = np.radians((np.arange(EDGE_HUE_BINS) + 0.5) * 360 / EDGE_HUE_BINS)
    half = np.radians(180 / EDGE_HUE_BINS) * 1.04  # a little over, so that no gap shows
    for L in SLICES:
        row = min(int(L / 100 * EDGE_LIGHTNESS_BINS), EDGE_LIGHTNESS_BINS - 1)
        edge = gamut.edge[row]
        sectors = []
        between = (edge + np.roll(edge, -1)) / 2  # so that sectors meet
        for number, (at, chroma) in enumerate(zip(turn, edge, strict=True)):
            if chroma <= 0:
                continue
            corners = ((at - half, between[number - 1]), (at, chroma), (at + half, between[number]))
            ends = [(reach * np.cos(way), -reach * np.sin(way)) for way, reach in corners]
            colour = np.array([L, 0.8 * chroma * np.cos(at), 0.8 * chroma * np.sin(at)])
            points = "0,0 " + " ".join(f"{x:.1f},{y:.1f}" for x, y in ends)
            sectors.append({"points": points, "fill": lab_to_hex(colour)})
        other = _srgb_gamut().edge[row]
        outline = " ".join(
            f"{chroma * np.cos(at):.1f},{-chroma * np.sin(at):.1f}"
            for at, chroma in zip(turn, other, strict=True)
        )
        found.append({"L": L, "sectors": sectors, "outline": outline, "widest": float(edge.max())})
    return found


def _list_cells(measures: ProfileMeasures) -> list[tuple[str, list[_Cell | None]]]:
    """Rows of the round trip, the lightest first."""
    trip = measures.round_trip
    if trip is None:
        return []
    rows: list[tuple[str, list[_Cell | None]]] = []
    width = 100 // LIGHTNESS_BINS
    for row in range(LIGHTNESS_BINS - 1, -1, -1):
        cells: list[_Cell | None] = []
        for mean, p95 in zip(trip.mean[row], trip.p95[row], strict=True):
            if np.isnan(mean):
                cells.append(None)
                continue
            level = sum(float(mean) >= each for each in _LEVELS)
            cells.append(_Cell(f"{mean:.1f}", f"{p95:.1f}", level))
        rows.append((f"L* {row * width} to {(row + 1) * width}", [cells[-1], *cells[:-1]]))
    return rows


def _list_hues() -> list[tuple[str, str]]:
    """Neutral, then the hues of the columns: a name and a colour."""
    found = [("neutral", lab_to_hex(np.array([60.0, 0, 0])))]
    for at, name in enumerate(_HUE_NAMES):
        turn = np.radians((at + 0.5) * 360 / HUE_BINS)
        found.append((name, lab_to_hex(np.array([60.0, 45 * np.cos(turn), 45 * np.sin(turn)]))))
    return found


def _draw_blacks(measures: ProfileMeasures) -> list[dict[str, object]]:
    return [
        {
            "name": each.name,
            "L": each.lab[0],
            "width": 100 * min(1.0, each.lab[0] / _BLACKEST_SHOWN),
            "fill": lab_to_hex(np.array(each.lab)),
            "device": ", ".join(f"{100 * value:.0f}" for value in each.device),
        }
        for each in measures.blacks
    ]


def _list_tables(measures: ProfileMeasures) -> list[dict[str, object]]:
    found: list[dict[str, object]] = []
    for each in measures.quick.tables:
        flaws = [describe_flaw(measures.profile, each.table, flaw) for flaw in each.flaws[:8]]
        found.append(
            {
                "name": describe_table(each),
                "tag": each.table.name,
                "points": " × ".join(map(str, each.table.sides)),
                "bits": each.levels.bits,
                "flaws": flaws,
                "more": len(each.flaws) - len(flaws),
            }
        )
    return found
