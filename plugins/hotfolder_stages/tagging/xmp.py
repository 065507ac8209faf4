"""An XMP packet (ISO 16684-1:2019): read, its properties found, set and taken out.

A packet comes from strangers. One that declares entities or a document type, nests deeper than
any real one, or is larger, is not read at all: `XmpError` says why.

A property of the picture is an attribute or a child of an ``rdf:Description`` right below
``rdf:RDF`` (7.4, 7.9.2.2); the same names deeper down speak of other things, such as ingredients.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple
from xml.dom.minidom import Attr, Document, Element, Node
from xml.parsers.expat import ExpatError

import defusedxml.ElementTree
import defusedxml.minidom
from defusedxml.common import DefusedXmlException

from hotfolder_stages.tagging.truth import Text, Texts

MAX_BYTES = 2 * 2**20
MAX_DEPTH = 64
"""Our own bounds; no source. Real packets have some kilobytes and nest less than 20 deep."""

RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
DC = "http://purl.org/dc/elements/1.1/"
TIFF = "http://ns.adobe.com/tiff/1.0/"
_META = "adobe:ns:meta/"
_XML = "http://www.w3.org/XML/1998/namespace"
_XMLNS = "http://www.w3.org/2000/xmlns/"


class Name(NamedTuple):
    """A property's name: its namespace, the prefix it gets when we write it, and the rest."""

    namespace: str
    prefix: str
    local: str

    def __str__(self) -> str:
        return f"{self.prefix}:{self.local}"


_NAMES = {
    Text.COPYRIGHT: Name(DC, "dc", "rights"),
    Text.DESCRIPTION: Name(DC, "dc", "description"),
    Text.CREATOR: Name(DC, "dc", "creator"),
}
_SECOND_NAMES = {
    Text.COPYRIGHT: Name(TIFF, "tiff", "Copyright"),
    Text.DESCRIPTION: Name(TIFF, "tiff", "ImageDescription"),
    Text.CREATOR: Name(TIFF, "tiff", "Artist"),
}
"""Where older writers put the same texts."""

_EMPTY = (
    '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'
    f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="{RDF}">'
    '<rdf:Description rdf:about=""/></rdf:RDF></x:xmpmeta><?xpacket end="w"?>'
).encode()


_FORBIDDEN = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What is no character of XML 1.0 (2.2), and may stand in a text of another standard."""


class XmpError(ValueError):
    """A packet that is not read; the text says why, after "its XMP"."""


class Xmp:
    """A packet that has been read, and may be changed.

    Raises
    ------
    XmpError
        When it is hostile, broken, or has no RDF.
    """

    def __init__(self, packet: bytes = _EMPTY) -> None:
        self._document = _read(packet)
        roots = self._document.getElementsByTagNameNS(RDF, "RDF")
        if not roots:
            raise XmpError("has no RDF in it")
        self._rdf: Element = roots[0]
        for root in self._document.getElementsByTagNameNS(_META, "xmpmeta"):
            if root.hasAttributeNS(_META, "xmptk"):
                root.removeAttributeNS(_META, "xmptk")  # who wrote the packet as it was

    @property
    def packet(self) -> bytes:
        """The packet as it is now."""
        return "".join(node.toxml() for node in self._document.childNodes).encode()

    def texts(self) -> Texts:
        """The texts in it, as far as it has them; the default language, all creators."""
        found = {}
        for text, name in _NAMES.items():
            said = self._said(name, text) or self._said(_SECOND_NAMES[text], text)
            if said:
                found[text] = said
        return found

    def put_text(self, text: Text, said: str) -> None:
        """Put in a text of the settings in place of what there was, in every language."""
        self.remove(_SECOND_NAMES[text])
        if text is Text.CREATOR:
            self.put_items(_NAMES[text], "Seq", [said])
        else:
            self.put_items(_NAMES[text], "Alt", [said])

    def value(self, name: Name) -> str | None:
        """A simple property's value; None when it is not there."""
        for node in self._nodes(name):
            return node.value if isinstance(node, Attr) else text_of(node)
        return None

    def elements(self, name: Name) -> list[Element]:
        """The elements that hold a property with more than one value."""
        return [node for node in self._nodes(name) if isinstance(node, Element)]

    def correct(self, name: Name, value: str | None) -> bool:
        """Set a simple property where it is present; None removes it. Whether it was wrong."""
        if value is None:
            return self.remove(name)
        wrong = False
        for node in self._nodes(name):
            if isinstance(node, Attr):
                wrong |= node.value != value
                node.value = value
            elif text_of(node) != value:
                node.childNodes[:] = [self._document.createTextNode(value)]
                wrong = True
        return wrong

    def put(self, name: Name, value: str | Mapping[Name, str]) -> None:
        """Put in a simple property, or a structure, in place of what there was."""
        self.remove(name)
        element = self.new(name)
        self.fill(element, value)
        self._first().appendChild(element)

    def put_items(self, name: Name, kind: str, items: Iterable[str]) -> None:
        """Put in a ``Bag``, ``Seq`` or ``Alt`` in place of what there was."""
        self.remove(name)
        array = self.new(Name(RDF, "rdf", kind))
        for said in items:
            item = self.new(Name(RDF, "rdf", "li"))
            if kind == "Alt":
                item.setAttribute("xml:lang", "x-default")
            self.fill(item, said)
            array.appendChild(item)
        element = self.new(name)
        element.appendChild(array)
        self._first().appendChild(element)

    def append(self, array: Element, fields: Mapping[Name, str]) -> None:
        """Add a structure to an array's ``rdf:Seq`` or ``rdf:Bag``."""
        item = self.new(Name(RDF, "rdf", "li"))
        self.fill(item, fields)
        array.appendChild(item)

    def fill(self, element: Element, value: str | Mapping[Name, str]) -> None:
        """Give an element a value in place of what it had: a text, or the fields of a structure."""
        element.childNodes[:] = []
        if isinstance(value, str):
            element.appendChild(self._document.createTextNode(_FORBIDDEN.sub("", value)))
            return
        for attribute in list(element.attributes.values()):
            if attribute.namespaceURI != _XMLNS:
                element.removeAttributeNode(attribute)
        element.setAttributeNS(_XMLNS, "xmlns:rdf", RDF)
        element.setAttributeNS(RDF, "rdf:parseType", "Resource")
        for name, said in value.items():
            field = self.new(name)
            self.fill(field, said)
            element.appendChild(field)

    def remove(self, *names: Name) -> bool:
        """Take out properties of the picture; whether one was there."""
        gone = False
        for name in names:
            for node in list(self._nodes(name)):
                detach(node)
                gone = True
        return gone

    def take_over(self, other: Xmp) -> None:
        """Put in every property of another packet, in place of what there was of its name."""
        for node in list(other._all_nodes()):
            if node.namespaceURI in {None, RDF, _XMLNS, _XML}:
                continue
            name = Name(node.namespaceURI, node.prefix or "ns", node.localName or "")
            self.remove(name)
            if isinstance(node, Attr):
                self.put(name, node.value)
                continue
            copied = self._document.importNode(node, deep=True)
            _declare_prefixes(copied, node)
            self._first().appendChild(copied)

    def remove_rest(self, namespace: str, kept: Iterable[str]) -> list[str]:
        """Take out the picture's properties of a namespace but for some; their local names."""
        names = {node.localName for node in self._all_nodes() if node.namespaceURI == namespace}
        gone = sorted(names - set(kept))
        self.remove(*(Name(namespace, "", each) for each in gone))
        return gone

    def remove_everywhere(self, namespace: str, starts: str = "") -> bool:
        """Take out whatever is of a namespace and begins with `starts`, however deep it lies."""
        gone = False
        for element in self._rdf.getElementsByTagName("*"):
            for attribute in list(element.attributes.values()):
                declares = attribute.namespaceURI == _XMLNS and attribute.value == namespace
                if declares and not starts and element.namespaceURI != namespace:
                    element.removeAttributeNode(attribute)
                elif attribute.namespaceURI == namespace and _starts(attribute, starts):
                    element.removeAttributeNode(attribute)
                    gone = True
            if element.namespaceURI == namespace and _starts(element, starts):
                detach(element)
                gone = True
        return gone

    def new(self, name: Name) -> Element:
        """An element that declares its own prefix, whatever that means further up."""
        element = self._document.createElementNS(name.namespace, str(name))
        element.setAttributeNS(_XMLNS, f"xmlns:{name.prefix}", name.namespace)
        return element

    def _said(self, name: Name, text: Text) -> str:
        for node in self._nodes(name):
            if isinstance(node, Attr):
                return str(node.value).strip()
            items = node.getElementsByTagNameNS(RDF, "li")
            default = [each for each in items if each.getAttribute("xml:lang") == "x-default"]
            chosen = (default or items)[: None if text is Text.CREATOR else 1] or [node]
            return "; ".join(filter(None, map(text_of, chosen)))
        return ""

    def _first(self) -> Element:
        """The description that new properties go to."""
        for description in self._descriptions():
            return description
        description = self.new(Name(RDF, "rdf", "Description"))
        description.setAttributeNS(RDF, "rdf:about", "")
        self._rdf.appendChild(description)
        return description

    def _descriptions(self) -> list[Element]:
        return [
            each
            for each in self._rdf.childNodes
            if isinstance(each, Element) and each.namespaceURI == RDF
        ]

    def _nodes(self, name: Name) -> Iterator[Attr | Element]:
        for node in self._all_nodes():
            if (node.namespaceURI, node.localName) == (name.namespace, name.local):
                yield node

    def _all_nodes(self) -> Iterator[Attr | Element]:
        for description in self._descriptions():
            yield from list(description.attributes.values())
            yield from [each for each in description.childNodes if isinstance(each, Element)]


def text_of(element: Element) -> str:
    """The text right in an element."""
    pieces = [each.data for each in element.childNodes if each.nodeType == Node.TEXT_NODE]
    return "".join(pieces).strip()


def items_of(element: Element) -> list[Element]:
    """The items of an array property."""
    return [
        item for array in children_of(element, RDF, None) for item in children_of(array, RDF, "li")
    ]


def fields_of(element: Element, namespace: str) -> dict[str, str]:
    """The simple fields of a structure, by local name, in any of the forms of 7.9.2.4 on."""
    holders = [element, *children_of(element, RDF, "Description")]
    found = {}
    for holder in holders:
        for attribute in holder.attributes.values():
            if attribute.namespaceURI == namespace:
                found[attribute.localName] = attribute.value.strip()
        for child in children_of(holder, namespace, None):
            found[child.localName] = text_of(child)
    return found


def field_of(element: Element, name: Name) -> Element | None:
    """A field of a structure that is an element itself."""
    for holder in (element, *children_of(element, RDF, "Description")):
        for child in children_of(holder, name.namespace, name.local):
            return child
    return None


def children_of(parent: Element, namespace: str, local: str | None) -> list[Element]:
    """The child elements of a namespace, all or those of one local name."""
    return [
        each
        for each in parent.childNodes
        if isinstance(each, Element)
        and each.namespaceURI == namespace
        and local in (None, each.localName)
    ]


def detach(node: Attr | Element) -> None:
    """Take an attribute or an element out of the element that holds it."""
    if isinstance(node, Attr):
        if node.ownerElement is not None:
            node.ownerElement.removeAttributeNode(node)
    elif node.parentNode is not None:
        node.parentNode.removeChild(node)


def _declare_prefixes(copied: Element, node: Element) -> None:
    """Declare on a copy the prefixes that its place has declared, further up, for the original."""
    above: Node | None = node
    while isinstance(above, Element):
        for attribute in above.attributes.values():
            if attribute.namespaceURI == _XMLNS and not copied.hasAttribute(attribute.name):
                copied.setAttributeNS(_XMLNS, attribute.name, attribute.value)
        above = above.parentNode


def _starts(node: Attr | Element, starts: str) -> bool:
    return (node.localName or "").startswith(starts)


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
