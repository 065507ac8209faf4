"""What a stage's author may import, with the rooms `colour`, `pages` and `testing`.

Everything else is the program's own and may change from one version to the next.
"""

from typing import TYPE_CHECKING

from hotfolder.lazily import load_exports

if TYPE_CHECKING:
    from hotfolder.errors import (
        Hold,
        HotfolderError,
        Refuse,
        Remedy,
        SettingsError,
        StageError,
        StorageError,
        Verdict,
    )
    from hotfolder.model.destination import Medium, Result, SettingsModel, Surface
    from hotfolder.model.encoding import Encoding
    from hotfolder.model.eyesight import CLOSE_LOOKING, largest_mm, needed_ppi
    from hotfolder.model.facts import (
        Column,
        Facts,
        Findings,
        Json,
        flag_in,
        number_in,
        text_in,
    )
    from hotfolder.model.intent import Intent
    from hotfolder.model.neighbour import Neighbour
    from hotfolder.model.rendering import Rendering, Way
    from hotfolder.model.standing import MediumStanding, StripToLay
    from hotfolder.model.units import (
        MM_PER_INCH,
        ByteCount,
        DurationS,
        LengthMm,
        Money,
        Share,
        parse_quantity,
        say_share,
    )
    from hotfolder.model.wishes import (
        CaptionWish,
        IntentWish,
        LongEdgeWish,
        NoEnlargementWish,
        RenderingWish,
        SizeWish,
        WhiteWish,
        Wish,
    )
    from hotfolder.raster.dither import Dither
    from hotfolder.raster.exif import ExifDirectories
    from hotfolder.raster.exif import build as build_exif
    from hotfolder.raster.exif import name_of as name_exif_tag
    from hotfolder.raster.exif import parse as parse_exif
    from hotfolder.raster.ifd import Value as ExifValue
    from hotfolder.raster.packets import IptcDataset, iptc_datasets
    from hotfolder.raster.patch_block import PatchBlock
    from hotfolder.raster.picture import (
        NOWHERE,
        Area,
        Band,
        Metadata,
        RasterSpec,
        rebanded,
        rows_per_band,
    )
    from hotfolder.raster.scratch import ScratchRows
    from hotfolder.raster.source_profile import source_profile
    from hotfolder.stages.contract import Place, Stage, StageSettings, hookimpl
    from hotfolder.stages.job import Job, Original
    from hotfolder.stages.messages import (
        ColoursAhead,
        ConversionToCome,
        Cropped,
        EditionNumber,
        InkLimit,
        IntentChosen,
        LossMeasured,
        LossTolerance,
        Message,
        OwnPixels,
        PixelsWanted,
        ReachMeasured,
        ReferenceShown,
        SharpeningToCome,
        SizeToCome,
    )
    from hotfolder.stages.roles import Role
else:
    __getattr__ = load_exports(__name__)

__all__ = [
    "CLOSE_LOOKING",
    "MM_PER_INCH",
    "NOWHERE",
    "Area",
    "Band",
    "ByteCount",
    "CaptionWish",
    "ColoursAhead",
    "Column",
    "ConversionToCome",
    "Cropped",
    "Dither",
    "DurationS",
    "EditionNumber",
    "Encoding",
    "ExifDirectories",
    "ExifValue",
    "Facts",
    "Findings",
    "Hold",
    "HotfolderError",
    "InkLimit",
    "Intent",
    "IntentChosen",
    "IntentWish",
    "IptcDataset",
    "Job",
    "Json",
    "LengthMm",
    "LongEdgeWish",
    "LossMeasured",
    "LossTolerance",
    "Medium",
    "MediumStanding",
    "Message",
    "Metadata",
    "Money",
    "Neighbour",
    "NoEnlargementWish",
    "Original",
    "OwnPixels",
    "PatchBlock",
    "PixelsWanted",
    "Place",
    "RasterSpec",
    "ReachMeasured",
    "ReferenceShown",
    "Refuse",
    "Remedy",
    "Rendering",
    "RenderingWish",
    "Result",
    "Role",
    "ScratchRows",
    "SettingsError",
    "SettingsModel",
    "Share",
    "SharpeningToCome",
    "SizeToCome",
    "SizeWish",
    "Stage",
    "StageError",
    "StageSettings",
    "StorageError",
    "StripToLay",
    "Surface",
    "Verdict",
    "Way",
    "WhiteWish",
    "Wish",
    "build_exif",
    "flag_in",
    "hookimpl",
    "iptc_datasets",
    "largest_mm",
    "name_exif_tag",
    "needed_ppi",
    "number_in",
    "parse_exif",
    "parse_quantity",
    "rebanded",
    "rows_per_band",
    "say_share",
    "source_profile",
    "text_in",
]
