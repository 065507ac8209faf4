"""What a stage's author may import; everything else is the program's own and may change."""

from hotfolder.destination import Medium, Result, Surface
from hotfolder.errors import Hold, HotfolderError, Refuse, SettingsError, StorageError, Verdict
from hotfolder.raster.model import Band, Encoding, Metadata, RasterSpec
from hotfolder.stage import Findings, Job, Original, Stage, StageSettings
from hotfolder.units import DurationS, LengthMm, Share

__all__ = [
    "Band",
    "DurationS",
    "Encoding",
    "Findings",
    "Hold",
    "HotfolderError",
    "Job",
    "LengthMm",
    "Medium",
    "Metadata",
    "Original",
    "RasterSpec",
    "Refuse",
    "Result",
    "SettingsError",
    "Share",
    "Stage",
    "StageSettings",
    "StorageError",
    "Surface",
    "Verdict",
]
