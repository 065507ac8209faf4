"""XMP packets and IPTC records as they stand in files: found, checked for form, bounded.

What they say is read by the stage that needs it; here they are only bytes that either have the
form of their standard or are left out, with a note.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from hotfolder.raster.source import ReadLimits

_IPTC_RESOURCE = 0x0404
_TAG_MARKER = 0x1C  # every IIM dataset starts with it (IPTC-IIM 4.2, 1.6)


@dataclass(frozen=True)
class IptcDataset:
    """One dataset of IPTC records."""

    key: tuple[int, int]
    """Number of its record, and its own in that."""

    data: bytes
    """What it says."""

    whole: bytes
    """The dataset as it stands in the records."""


def iptc_datasets(records: bytes) -> Iterator[IptcDataset]:
    """Walk through IPTC records (IPTC-IIM 4.2, 1.5.2 and 1.6) up to the first broken dataset.

    Parameters
    ----------
    records
        Datasets, one behind the other.

    Yields
    ------
    Each dataset, in their order.
    """
    at = 0
    while at + 5 <= len(records) and records[at] == _TAG_MARKER:
        record, number, size = struct.unpack_from(">BBH", records, at + 1)
        start = at + 5
        if size & 0x8000:  # an extended dataset: the length of the length
            count = size & 0x7FFF
            size = int.from_bytes(records[start : start + count], "big")
            start += count
        end = start + size
        if end > len(records):
            return
        yield IptcDataset((record, number), records[start:end], records[at:end])
        at = end


def from_tiff_tag(data: bytes | None) -> bytes | None:
    """IPTC records of TIFF tag 33723.

    Old writers declared the bytes as LONG and swapped them with the file's byte order.
    """
    if data is None or data[:1] == bytes([_TAG_MARKER]):
        return data
    padded = data + b"\0" * (-len(data) % 4)
    swapped = b"".join(padded[at : at + 4][::-1] for at in range(0, len(padded), 4))
    return swapped if swapped[:1] == bytes([_TAG_MARKER]) else data


def from_image_resources(data: bytes) -> bytes | None:
    """IPTC records in a chain of image resources: ``8BIM``, number, name, length, content.

    The layout is the one of JPEG APP13 and TIFF tag 34377 (published by its vendor; from
    memory). A chain that breaks off yields what came before.
    """
    at = 0
    while data[at : at + 4] == b"8BIM" and len(data) >= at + 12:
        number = struct.unpack_from(">H", data, at + 4)[0]
        name_bytes = 1 + data[at + 6]
        at += 6 + name_bytes + name_bytes % 2
        if len(data) < at + 4:
            return None
        size = struct.unpack_from(">I", data, at)[0]
        content = data[at + 4 : at + 4 + size]
        if number == _IPTC_RESOURCE:
            return content
        at += 4 + size + size % 2
    return None


def to_image_resources(records: bytes) -> bytes:
    """Wrap IPTC records as one image resource."""
    head = b"8BIM" + struct.pack(">HHI", _IPTC_RESOURCE, 0, len(records))
    return head + records + b"\0" * (len(records) % 2)


def usable(records: bytes | None, limits: ReadLimits, notes: list[str]) -> bytes | None:
    """The records, cut after the last whole dataset; None, with a note, when there is none."""
    if records is None:
        return None
    end = sum(len(each.whole) for each in iptc_datasets(records))
    if end and end <= limits.max_metadata_bytes:
        return records[:end]
    notes.append("Its IPTC data are damaged or too long and were left out.")
    return None


def usable_xmp(packet: bytes | None, limits: ReadLimits, notes: list[str]) -> bytes | None:
    """The packet as UTF-8 without padding; None, with a note, when it cannot be one."""
    if packet is None:
        return None
    text = packet.strip(b"\0 \t\r\n")
    if len(text) <= limits.max_xmp_bytes:
        try:
            text.decode("utf-8")
        except UnicodeDecodeError:
            pass
        else:
            if b"<" in text:
                return text
    notes.append("Its XMP data are damaged or too long and were left out.")
    return None
