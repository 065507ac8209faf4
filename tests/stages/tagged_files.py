"""Originals with metadata through the stage tagging, read back by libexiv2."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from PIL import Image

from hotfolder import Metadata
from hotfolder.model.destination import Result
from hotfolder.raster.packets import to_image_resources
from hotfolder.testing import make_stage
from hotfolder_stages.tagging import Tagging
from second_readers import exiv2_tags
from stages.driving import SRGB, job_of, spec_of

PIXELS = np.full((30, 40, 3), 20000, np.uint16)

NAMESPACES = {
    "Iptc4xmpExt": "http://iptc.org/std/Iptc4xmpExt/2008-02-29/",
    "MP": "http://ns.microsoft.com/photo/1.2/",
    "crs": "http://ns.adobe.com/camera-raw-settings/1.0/",
    "dc": "http://purl.org/dc/elements/1.1/",
    "exif": "http://ns.adobe.com/exif/1.0/",
    "exifEX": "http://cipa.jp/exif/1.0/",
    "hdrgm": "http://ns.adobe.com/hdr-gain-map/1.0/",
    "mwg-rs": "http://www.metadataworkinggroup.com/schemas/regions/",
    "photoshop": "http://ns.adobe.com/photoshop/1.0/",
    "stArea": "http://ns.adobe.com/xmp/sType/Area#",
    "stDim": "http://ns.adobe.com/xap/1.0/sType/Dimensions#",
    "stEvt": "http://ns.adobe.com/xap/1.0/sType/ResourceEvent#",
    "stRef": "http://ns.adobe.com/xap/1.0/sType/ResourceRef#",
    "tiff": "http://ns.adobe.com/tiff/1.0/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "xmpMM": "http://ns.adobe.com/xap/1.0/mm/",
    "xmpNote": "http://ns.adobe.com/xmp/note/",
}


def packet(attributes: str = "", elements: str = "") -> bytes:
    """An XMP packet with properties as attributes and as elements."""
    declared = " ".join(f'xmlns:{prefix}="{uri}"' for prefix, uri in NAMESPACES.items())
    return (
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF '
        'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        f'<rdf:Description rdf:about="" {declared} {attributes}>{elements}</rdf:Description>'
        "</rdf:RDF></x:xmpmeta>"
    ).encode()


def tagged(
    metadata: Metadata, profile: Any = SRGB, kind: str = "jpeg", **values: Any
) -> tuple[Metadata, dict[str, Any]]:
    """What the stage makes of metadata, and what it found."""
    spec = replace(spec_of(PIXELS, profile, ppi=240.0), metadata=metadata)
    job = job_of(spec, result=Result(format=kind, bits=8))
    stage = make_stage(Tagging, values)
    made = stage.open(spec, job).metadata
    return made, dict(stage.close())


def read_back(tmp_path: Any, metadata: Metadata) -> dict[str, Any]:
    """What libexiv2 reads from a JPEG that carries the metadata."""
    path = tmp_path / "tagged.jpg"
    options: dict[str, Any] = {"exif": b"Exif\0\0" + metadata.exif} if metadata.exif else {}
    if metadata.xmp:
        options["xmp"] = metadata.xmp
    if metadata.iptc:
        body = b"Photoshop 3.0\0" + to_image_resources(metadata.iptc)
        options["extra"] = b"\xff\xed" + (len(body) + 2).to_bytes(2, "big") + body
    Image.new("RGB", (40, 30)).save(path, **options)
    return exiv2_tags(path)
