"""XMP made true (ISO 16684-1:2019): values that are wrong now are set, all else is kept.

A packet comes from strangers. One that declares entities or a document type, nests deeper than
any real one, or is larger, is not read at all: `XmpError` says why.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from xml.dom.minidom import Document, Element, Node
from xml.parsers.expat import ExpatError

import defusedxml.ElementTree
import defusedxml.minidom
from defusedxml.common import DefusedXmlException

from hotfolder_stages.tagging.truth import SOFTWARE, Text, Texts, Truth

MAX_BYTES = 2 * 2**20
MAX_DEPTH = 64
"""Our own bounds; no source. Real packets have some kilobytes and nest less than 20 deep."""

_RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
_DC = "http://purl.org/dc/elements/1.1/"
_TIFF = "http://ns.adobe.com/tiff/1.0/"
_EXIF = "http://ns.adobe.com/exif/1.0/"
_XMP = "http://ns.adobe.com/xap/1.0/"
_PHOTOSHOP = "http://ns.adobe.com/photoshop/1.0/"
_XMLNS = "http://www.w3.org/2000/xmlns/"

_NAMES = {Text.COPYRIGHT: "rights", Text.DESCRIPTION: "description", Text.CREATOR: "creator"}

_EMPTY = (
    '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'
    f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="{_RDF}">'
    '<rdf:Description rdf:about=""/></rdf:RDF></x:xmpmeta><?xpacket end="w"?>'
).encode()


class XmpError(ValueError):
    """A packet that is not read; the text says why, after "its XMP"."""


@dataclass(frozen=True)
class EditedXmp:
    """A packet, which of its values were corrected, and what of it is gone."""

    packet: bytes
    corrected: tuple[str, ...]
    removed: tuple[str, ...]


class Xmp:
    """A packet that has been read.

    Raises
    ------
    XmpError
        When it is hostile, broken, or has no RDF.
    """

    def __init__(self, packet: bytes = _EMPTY) -> None:
        self._document = _read(packet)
        roots = self._document.getElementsByTagNameNS(_RDF, "RDF")
        if not roots:
            raise XmpError("has no RDF in it")
        self._rdf: Element = roots[0]

    def texts(self) -> Texts:
        """The texts in it, as far as it has them; the default language, all creators."""
        found = {}
        for text, name in _NAMES.items():
            said = self._said(name)
            if said:
                found[text] = said
        return found

    def edited(self, truth: Truth, added: Texts, *, remove_gps: bool) -> EditedXmp:
        """The packet with what it says of the result corrected and `added` put in."""
        corrected = [
            name for name, value in _true_values(truth).items() if self._correct(*name, value)
        ]
        removed = ["Thumbnails"] if self._remove(_XMP, "Thumbnails") else []
        if remove_gps and self._remove(_EXIF, "GPS", starts=True):
            removed.append("GPS")
        for text, said in added.items():
            self._put(text, said)
        packet = "".join(node.toxml() for node in self._document.childNodes).encode()
        return EditedXmp(packet, tuple(name for _, name in corrected), tuple(removed))

    def _elements(self) -> Iterator[Element]:
        yield from self._rdf.getElementsByTagName("*")

    def _descriptions(self) -> list[Element]:
        return [
            each
            for each in self._rdf.childNodes
            if each.nodeType == Node.ELEMENT_NODE and each.namespaceURI == _RDF
        ]

    def _said(self, name: str) -> str:
        for description in self._descriptions():
            if description.hasAttributeNS(_DC, name):
                return str(description.getAttributeNS(_DC, name)).strip()
        for element in self._rdf.getElementsByTagNameNS(_DC, name):
            items = element.getElementsByTagNameNS(_RDF, "li")
            default = [each for each in items if each.getAttribute("xml:lang") == "x-default"]
            chosen = (default or items)[: None if name == "creator" else 1] or [element]
            return "; ".join(filter(None, map(_text, chosen)))
        return ""

    def _correct(self, namespace: str, name: str, value: str | None) -> bool:
        """Set a simple property where it is present; None removes it."""
        if value is None:
            return self._remove(namespace, name)
        wrong = False
        for description in self._descriptions():
            attribute = description.getAttributeNodeNS(namespace, name)
            if attribute is not None and attribute.value != value:
                attribute.value = value
                wrong = True
            for element in _children(description, namespace, name):
                if _text(element) != value:
                    element.childNodes[:] = [self._document.createTextNode(value)]
                    wrong = True
        return wrong

    def _remove(self, namespace: str, name: str, *, starts: bool = False) -> bool:
        """Take out a property wherever it stands; `starts`: all whose names start like this."""

        def meant(found: str | None) -> bool:
            return found is not None and (found.startswith(name) if starts else found == name)

        gone = False
        for element in list(self._elements()):
            for attribute in list(element.attributes.values()):
                if attribute.namespaceURI == namespace and meant(attribute.localName):
                    element.removeAttributeNode(attribute)
                    gone = True
            if element.namespaceURI == namespace and meant(element.localName):
                if element.parentNode is not None:
                    element.parentNode.removeChild(element)
                gone = True
        return gone

    def _put(self, text: Text, said: str) -> None:
        name = _NAMES[text]
        self._remove(_DC, name)
        descriptions = self._descriptions()
        if descriptions:
            description = descriptions[0]
        else:
            description = self._new(_RDF, "rdf", "Description")
            description.setAttributeNS(_RDF, "rdf:about", "")
            self._rdf.appendChild(description)
        item = self._new(_RDF, "rdf", "li")
        if text is not Text.CREATOR:
            item.setAttribute("xml:lang", "x-default")
        item.appendChild(self._document.createTextNode(said))
        array = self._new(_RDF, "rdf", "Seq" if text is Text.CREATOR else "Alt")
        array.appendChild(item)
        element = self._new(_DC, "dc", name)
        element.appendChild(array)
        description.appendChild(element)

    def _new(self, namespace: str, prefix: str, name: str) -> Element:
        """An element that declares its own prefix, whatever that means further up."""
        element = self._document.createElementNS(namespace, f"{prefix}:{name}")
        element.setAttributeNS(_XMLNS, f"xmlns:{prefix}", namespace)
        return element


def _true_values(truth: Truth) -> Mapping[tuple[str, str], str | None]:
    ppi = None
    if truth.ppi is not None:
        ppi = f"{truth.ppi.numerator}/{truth.ppi.denominator}"
    width, height = str(truth.width_px), str(truth.height_px)
    return {
        (_TIFF, "Orientation"): "1",
        (_TIFF, "ImageWidth"): width,
        (_TIFF, "ImageLength"): height,
        (_TIFF, "XResolution"): ppi,
        (_TIFF, "YResolution"): ppi,
        (_TIFF, "ResolutionUnit"): ppi and "2",
        (_TIFF, "Software"): SOFTWARE,
        (_EXIF, "PixelXDimension"): width,
        (_EXIF, "PixelYDimension"): height,
        (_EXIF, "ColorSpace"): "1" if truth.is_srgb else "65535",
        (_PHOTOSHOP, "ICCProfile"): truth.profile or None,
    }


def _read(packet: bytes) -> Document:
    if len(packet) > MAX_BYTES:
        raise XmpError(f"has more than {MAX_BYTES // 2**20} MiB")
    depth = 0
    try:
        steps = defusedxml.ElementTree.iterparse(
            io.BytesIO(packet), events=("start", "end"), forbid_dtd=True
        )
        for event, element in steps:
            depth += 1 if event == "start" else -1
            if depth > MAX_DEPTH:
                raise XmpError(f"nests deeper than {MAX_DEPTH} elements")
            if event == "end":
                element.clear()
        document: Document = defusedxml.minidom.parseString(packet, forbid_dtd=True)
    except DefusedXmlException as error:
        raise XmpError("declares entities or a document type, which no camera writes") from error
    except (SyntaxError, ExpatError, ValueError) as error:
        if isinstance(error, XmpError):
            raise
        raise XmpError("is not well-formed XML") from error
    return document


def _children(parent: Element, namespace: str, name: str) -> list[Element]:
    return [
        each
        for each in parent.childNodes
        if each.nodeType == Node.ELEMENT_NODE
        and (each.namespaceURI, each.localName) == (namespace, name)
    ]


def _text(element: Element) -> str:
    pieces = [each.data for each in element.childNodes if each.nodeType == Node.TEXT_NODE]
    return "".join(pieces).strip()
