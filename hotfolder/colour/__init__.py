"""Colour: profiles, conversions, differences, what is lost, and loops over pixels that are fast.

What is exported here is for stages and their authors; the modules below are the program's own.
"""

from typing import TYPE_CHECKING

from hotfolder.lazily import load_exports

if TYPE_CHECKING:
    from hotfolder.colour.arrays import Array, Codes, Floats, Whole
    from hotfolder.colour.black_point import black_luminance
    from hotfolder.colour.box import average
    from hotfolder.colour.cells import CELL_BITS, Cells
    from hotfolder.colour.contrast import (
        VISIBLE,
        contrast_kept,
        local_contrast,
        where_unfit,
    )
    from hotfolder.colour.detail import Reach
    from hotfolder.colour.difference import DifferenceStatistics, delta_e_00
    from hotfolder.colour.encodings import D50_XYZ, flattened, white, xyz_to_lab
    from hotfolder.colour.engine import NO_GRID, convert_pixels, convert_to_8_bits, to_lab
    from hotfolder.colour.grid import Bound
    from hotfolder.colour.hues import HUES, describe_hues, hue_numbers, shares_by_hue
    from hotfolder.colour.input_profile import matrix_input_profile, table_input_profile
    from hotfolder.colour.loss import (
        Route,
        before_and_after,
        losses,
        medium_losses,
        round_trip_noise,
        shift_parts,
        wanted,
    )
    from hotfolder.colour.loss_table import make_loss_lookup
    from hotfolder.colour.machine_code import compiled, inlined, made, number, seen
    from hotfolder.colour.measured_change import ChangeModel, ChangeTable, fit_change
    from hotfolder.colour.named import USUAL_PROFILES, named_profile
    from hotfolder.colour.profile import Profile, ProfileError, lab_profile
    from hotfolder.colour.proofing import Show, look_of, soft_proof
    from hotfolder.colour.rendering import (
        allowed_ways,
        can_be_refined,
        find_reach,
        has_hues,
        reach_step,
    )
    from hotfolder.colour.slabs import cpu_count, in_threads, over_slabs
    from hotfolder.colour.spaces import SRGB_CURVE, SRGB_PRIMARIES, Primaries, rgb_profile
    from hotfolder.colour.tone import (
        SRGB_TO_D50,
        Tone,
        ToneCurve,
        ink_tone_of,
        is_srgb,
        tone_of,
    )
    from hotfolder.colour.transform import Precision, Transform
    from hotfolder.colour.worst_places import WorstPlace, WorstPlaces
else:
    __getattr__ = load_exports(__name__)

__all__ = [
    "CELL_BITS",
    "D50_XYZ",
    "HUES",
    "NO_GRID",
    "SRGB_CURVE",
    "SRGB_PRIMARIES",
    "SRGB_TO_D50",
    "USUAL_PROFILES",
    "VISIBLE",
    "Array",
    "Bound",
    "Cells",
    "ChangeModel",
    "ChangeTable",
    "Codes",
    "DifferenceStatistics",
    "Floats",
    "Precision",
    "Primaries",
    "Profile",
    "ProfileError",
    "Reach",
    "Route",
    "Show",
    "Tone",
    "ToneCurve",
    "Transform",
    "Whole",
    "WorstPlace",
    "WorstPlaces",
    "allowed_ways",
    "average",
    "before_and_after",
    "black_luminance",
    "can_be_refined",
    "compiled",
    "contrast_kept",
    "convert_pixels",
    "convert_to_8_bits",
    "cpu_count",
    "delta_e_00",
    "describe_hues",
    "find_reach",
    "fit_change",
    "flattened",
    "has_hues",
    "hue_numbers",
    "in_threads",
    "ink_tone_of",
    "inlined",
    "is_srgb",
    "lab_profile",
    "local_contrast",
    "look_of",
    "losses",
    "made",
    "make_loss_lookup",
    "matrix_input_profile",
    "medium_losses",
    "named_profile",
    "number",
    "over_slabs",
    "reach_step",
    "rgb_profile",
    "round_trip_noise",
    "seen",
    "shares_by_hue",
    "shift_parts",
    "soft_proof",
    "table_input_profile",
    "to_lab",
    "tone_of",
    "wanted",
    "where_unfit",
    "white",
    "xyz_to_lab",
]
