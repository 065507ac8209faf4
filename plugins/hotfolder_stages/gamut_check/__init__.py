"""Stage ``gamut-check``: what of the picture's colours is lost, and what is to blame."""

from hotfolder_stages.gamut_check.stage import GamutCheck, GamutCheckSettings

__all__ = ["GamutCheck", "GamutCheckSettings"]
