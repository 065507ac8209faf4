"""What a stage's author may import; everything else is the program's own and may change."""

from hotfolder.errors import Hold, HotfolderError, Refuse, SettingsError, StorageError, Verdict
from hotfolder.raster.model import Band, Encoding, Metadata, RasterSpec
from hotfolder.stage import Findings, Job, Original, Stage, StageSettings

__all__ = [
    "Band",
    "Encoding",
    "Findings",
    "Hold",
    "HotfolderError",
    "Job",
    "Metadata",
    "Original",
    "RasterSpec",
    "Refuse",
    "SettingsError",
    "Stage",
    "StageSettings",
    "StorageError",
    "Verdict",
]
