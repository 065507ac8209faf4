"""The demo: profiles of printers that do not exist, and pictures of a place that does not exist."""

from hotfolder_demo.profiles import write_profiles
from hotfolder_demo.scenes import write_scenes

__all__ = ["write_profiles", "write_scenes"]
