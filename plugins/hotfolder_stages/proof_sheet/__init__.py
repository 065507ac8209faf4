"""Stage ``proof-sheet``: a page that shows a job as finished, as it will print, what is lost."""

from hotfolder_stages.proof_sheet.stage import ProofSheet, ProofSheetSettings

__all__ = ["ProofSheet", "ProofSheetSettings"]
