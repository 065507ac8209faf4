"""Which file this is, and from which it comes: ``xmpMM`` (ISO 16684-1:2019, 8.6).

A result that kept its original's identifiers would be taken for the original by whatever keeps a
catalogue of both.
"""

from __future__ import annotations

from hotfolder_stages.tagging.truth import SOFTWARE, Edition
from hotfolder_stages.tagging.xmp import RDF, Name, Xmp, children_of

_MM = "http://ns.adobe.com/xap/1.0/mm/"
_REFERENCE = "http://ns.adobe.com/xap/1.0/sType/ResourceRef#"
_EVENT = "http://ns.adobe.com/xap/1.0/sType/ResourceEvent#"

_DOCUMENT = Name(_MM, "xmpMM", "DocumentID")
_INSTANCE = Name(_MM, "xmpMM", "InstanceID")
_FIRST_DOCUMENT = Name(_MM, "xmpMM", "OriginalDocumentID")
_DERIVED = Name(_MM, "xmpMM", "DerivedFrom")
_HISTORY = Name(_MM, "xmpMM", "History")
_TRUE_STILL = {"History", "Ingredients", "Pantry"}
"""What happened to the original, and what it is made of."""


def renew_ids(xmp: Xmp, edition: Edition) -> list[str]:
    """Give the packet identifiers of its own, and say from which ones it derives.

    Returns
    -------
    list of str
        Names of what was taken out: versions, renditions and references of the original.
    """
    before = {
        "documentID": xmp.value(_DOCUMENT),
        "instanceID": xmp.value(_INSTANCE),
        "originalDocumentID": xmp.value(_FIRST_DOCUMENT),
    }
    renewed = {_DOCUMENT, _INSTANCE, _FIRST_DOCUMENT, _DERIVED}
    kept = _TRUE_STILL | {each.local for each in renewed}
    removed = [f"xmpMM:{each}" for each in xmp.remove_rest(_MM, kept)]
    xmp.remove(*renewed)
    xmp.put(_DOCUMENT, edition.document.urn)
    xmp.put(_INSTANCE, edition.instance.urn)
    first = before["originalDocumentID"] or before["documentID"]
    if first:
        xmp.put(_FIRST_DOCUMENT, first)
    reference = {
        Name(_REFERENCE, "stRef", local): value for local, value in before.items() if value
    }
    if reference:
        xmp.put(_DERIVED, reference)
    _append_event(xmp, edition)
    return removed


def _append_event(xmp: Xmp, edition: Edition) -> None:
    """Go on with the original's history, where it has one."""
    event = {
        "action": "converted",
        "instanceID": edition.instance.urn,
        "when": edition.made.isoformat(timespec="seconds"),
        "softwareAgent": SOFTWARE,
    }
    for history in xmp.elements(_HISTORY):
        for array in children_of(history, RDF, "Seq"):
            xmp.append(array, {Name(_EVENT, "stEvt", local): each for local, each in event.items()})
