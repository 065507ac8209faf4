"""Readers that share no code with what writes our files: libexiv2 and libvips, from the registry.

Both are for tests only. libexiv2 reads Exif, IPTC and XMP in JPEG, PNG and classic TIFF; libvips
reads TIFF by libtiff, JPEG by libjpeg and PNG by its own libpng. Neither is Pillow, tifffile or
imagecodecs, which write.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import exiv2
import pyvips

_INTEGERS = {"Byte", "Short", "Long", "SByte", "SShort", "SLong"}
_RATIONALS = {"Rational", "SRational"}
_FLOATS = {"Float", "Double"}

exiv2.XmpParser.initialize()
pyvips.cache_set_max(0)  # a test may write a name twice


def exiv2_image(path: Path) -> exiv2.Image:
    """A file as libexiv2 opens it, with its metadata read; a warning of libexiv2's is an error."""
    with _nothing_said("exiv2"):
        image = exiv2.ImageFactory.open(str(path))
        image.readMetadata()
    return image


def exiv2_profile(path: Path) -> bytes:
    """The ICC profile that libexiv2 takes out of a file."""
    return bytes(exiv2_image(path).iccProfile().data())


def vips_image(path: Path) -> pyvips.Image:
    """A file as libvips reads it, all of it; a warning of its or of libtiff's is an error."""
    with _nothing_said("pyvips"):
        return pyvips.Image.new_from_file(str(path)).copy_memory()


def exiv2_tags(path: Path) -> dict[str, Any]:
    """What libexiv2 finds in a file, by its keys.

    Returns
    -------
    dict of str to Any
        ``Exif.Image.Artist``, ``Iptc.Application2.Byline``, ``Xmp.dc.creator`` and the like.
        Numbers are int or float; several numbers, and the items of a bag or a sequence, a list;
        undefined bytes are bytes; of texts in several languages the default one.
    """
    image = exiv2_image(path)
    found = {each.key(): _value(each) for each in image.exifData()}
    found |= {each.key(): each.toString() for each in image.iptcData()}
    found |= {each.key(): _xmp_value(each) for each in image.xmpData()}
    return found


def _value(tag: exiv2.Exifdatum) -> Any:
    if tag.typeName() == "Undefined":
        return bytes(tag.getValue().data())
    if tag.typeName() in _INTEGERS:
        numbers = [tag.toInt64(at) for at in range(tag.count())]
    elif tag.typeName() in _FLOATS:
        numbers = [tag.toFloat(at) for at in range(tag.count())]
    elif tag.typeName() in _RATIONALS:
        numbers = [top / bottom for top, bottom in (tag.toRational(n) for n in range(tag.count()))]
    else:
        return tag.toString()
    return numbers[0] if len(numbers) == 1 else numbers


def _xmp_value(tag: exiv2.Xmpdatum) -> Any:
    if tag.typeName() == "LangAlt":
        return dict(tag.getValue())["x-default"]
    if tag.typeName() in {"XmpBag", "XmpSeq"}:
        return list(tag.getValue())
    return tag.toString()


@contextmanager
def _nothing_said(logger: str) -> Iterator[None]:
    """Fail when a library warns of something meanwhile."""
    said = _Said()
    logging.getLogger(logger).addHandler(said)
    try:
        yield
    finally:
        logging.getLogger(logger).removeHandler(said)
    assert said.messages == []


class _Said(logging.Handler):
    """Keeps what a library warns of."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.messages: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.messages.append(record.getMessage())
