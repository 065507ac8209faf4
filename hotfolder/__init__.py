"""What a stage's author may import; everything else is the program's own and may change."""

from hotfolder.errors import Hold, HotfolderError, Refuse, SettingsError, StorageError, Verdict
from hotfolder.model.destination import Medium, Result, Surface
from hotfolder.model.encoding import Encoding
from hotfolder.model.units import DurationS, LengthMm, Share
from hotfolder.raster.picture import Area, Band, Metadata, RasterSpec
from hotfolder.stages.contract import Findings, Job, Original, Stage, StageSettings

__all__ = [
    "Area",
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
