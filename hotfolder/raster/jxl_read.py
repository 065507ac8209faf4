"""JPEG XL files (ISO/IEC 18181): their boxes and header, and their pixels through OpenImageIO.

The decoder turns the picture upright, and says by a profile what its numbers mean: also where the
file does so by code points.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import imagecodecs
import numpy as np

from hotfolder.errors import Refuse
from hotfolder.model.encoding import Encoding
from hotfolder.raster import colour_tags
from hotfolder.raster.boxes import walk_boxes
from hotfolder.raster.colour_tags import Stated
from hotfolder.raster.floats import Fitting, count_outside, fit
from hotfolder.raster.foreign import TRY_AGAIN, cut_short, translated
from hotfolder.raster.headers import Blocks, make_header
from hotfolder.raster.image_input import ImageInput
from hotfolder.raster.original_file import OriginalFile
from hotfolder.raster.picture import Stored
from hotfolder.raster.samples import SampleLayout
from hotfolder.raster.source import ReadLimits, Request, check_page, check_size, check_whole
from hotfolder.raster.whole import WholeSource

_CODESTREAM = b"\xff\x0a"
_CONTAINER = b"\0\0\0\x0cJXL \r\n\x87\n"
_WORKING_PER_PIXEL = 16
"""Bytes in use for each pixel beside the decoded ones (measured: 8 to 14 at 12 megapixels)."""
_START_BYTES = 4096
_LEAST_BYTES = 128
"""OpenImageIO looks at so many to know a JPEG XL, and calls a file that has fewer damaged."""
_MOST_EXTRAS = 16
_RATIOS = {1: (1, 1), 2: (12, 10), 3: (4, 3), 4: (3, 2), 5: (16, 9), 6: (5, 4), 7: (2, 1)}
"""Width over height (18181-1, table D.3)."""


@dataclass(frozen=True)
class _Start:
    """What the first bits of a codestream say."""

    width_px: int
    height_px: int
    bits: int
    """Per channel."""
    extras: int = 0
    """How many channels there are beside the colours."""
    alpha: int | None = None
    """Which of them is the alpha plane."""
    is_associated: bool = False
    """Colours are multiplied by it."""


def is_jpeg_xl(head: bytes) -> bool:
    """Tell by its first bytes whether a file is a JPEG XL."""
    return head.startswith((_CODESTREAM, _CONTAINER))


class JxlSource(WholeSource):
    """The rows of a JPEG XL's first frame; decoded as a whole.

    Raises
    ------
    Refuse
        ``damaged``, ``unsupported`` or ``too-large``.
    Hold
        ``no-such-page``.
    """

    def __init__(self, file: OriginalFile, request: Request) -> None:
        limits = request.limits
        check_whole(file.size, limits, "The JPEG XL file")
        check_page(1, request.reading)
        blocks = Blocks()
        codestream = _read_boxes(file, blocks, limits)
        start = _read_start(codestream)
        pixels = start.width_px * start.height_px
        decoded = pixels * 4 * (1 if start.bits == 8 else 2 if start.bits <= 16 else 4)
        check_size(start.width_px, start.height_px, decoded, file.size, limits)
        check_whole(decoded + pixels * _WORKING_PER_PIXEL, limits, "The JPEG XL picture")
        # of so small a file the start is all of it; what follows a codestream is passed over
        padded = codestream.ljust(_LEAST_BYTES, b"\0") if file.size < _LEAST_BYTES else None
        self._input = ImageInput(file, ".jxl", request.scratch, "the JPEG XL picture", padded)
        try:
            with translated("the JPEG XL picture"):
                self._open(request, blocks, start)
        except BaseException:
            self._input.close()
            raise

    def _open(self, request: Request, blocks: Blocks, start: _Start) -> None:
        spec = self._input.spec
        size_px = int(spec.width), int(spec.height)
        if set(size_px) != {start.width_px, start.height_px}:
            raise Refuse("damaged", f"The file is damaged: it says two sizes. {TRY_AGAIN}")
        names = len(spec.channelnames)
        encoding = Encoding.GREY if names - start.extras < 3 else Encoding.RGB
        channels = encoding.channels
        if names != channels + start.extras:
            raise _unsupported("with other channels than it says")
        has_alpha = start.alpha is not None
        blocks.icc = _bytes_of(self._input.attribute("ICCProfile"))
        stated = self._stated(encoding)
        if stated and stated.high_dynamic_range:
            blocks.icc, blocks.stated = None, stated
        notes = []
        if left := start.extras - has_alpha:
            plural = "s" if left > 1 else ""
            notes.append(
                f"The file has {left} extra channel{plural} (a mask or a spot colour); "
                "only the picture itself was taken."
            )
        floats = str(spec.format) in {"half", "float", "double"}
        stored: Stored | None = None
        fitting = Fitting()
        if floats:
            stored = self._input.rows(0, size_px[1], floats=True)
            fitting = fit(count_outside([stored[..., :channels]]), request.reading)
        header = make_header(
            "JPEG XL", size_px, start.bits, encoding, blocks, request.limits,
            has_alpha=has_alpha, orientation=1, notes=[*notes, *fitting.notes],
        )  # fmt: skip
        layout = SampleLayout(
            encoding,
            bits=8 if str(spec.format) == "uint8" else 16,
            alpha=None if start.alpha is None else channels + start.alpha,
            associated=start.is_associated,
            scale=fitting.scale,
        )

        def decode() -> Stored:
            if stored is not None:
                return stored
            return self._input.rows(0, size_px[1], floats=False)

        header = replace(header, cut_share=fitting.cut_share, cut_above=fitting.cut_above)
        super().__init__(header, layout, names, decode, "the JPEG XL picture")

    def close(self) -> None:
        """See `RowSource`."""
        super().close()
        self._input.close()

    def _stated(self, encoding: Encoding) -> Stated | None:
        said = self._input.attribute("CICP")
        if said is None:
            return None
        numbers = [int(each) for each in said]
        if len(numbers) != 4 or not all(0 <= each < 256 for each in numbers):
            return None
        return colour_tags.from_code_points(bytes((numbers[0], numbers[1], 0, 1)), encoding)


def _bytes_of(value: object) -> bytes | None:
    return None if value is None else bytes(np.asarray(value, dtype=np.uint8).tobytes())


def _read_boxes(file: OriginalFile, blocks: Blocks, limits: ReadLimits) -> bytes:
    """Take the metadata out of a container's boxes; return the start of the codestream."""
    data = file.read(0, file.size)
    if data.startswith(_CODESTREAM):
        return data[:_START_BYTES]
    start = b""
    for box in walk_boxes(data):
        if box.end > len(data):
            raise cut_short("the end of the JPEG XL picture is missing")
        kind, content = box.type, data[box.start : min(box.end, box.start + _START_BYTES)]
        if kind == b"jxlc" and not start:
            start = content
        elif kind == b"jxlp" and not start:
            start = content[4:]  # the part's number goes first
        elif kind in {b"Exif", b"xml ", b"brob"}:
            _take_block(box.content(data), kind, blocks, limits)
    return start


def _take_block(content: bytes, kind: bytes, blocks: Blocks, limits: ReadLimits) -> None:
    """Take an Exif block or an XMP packet, compressed or not (18181-2, 9.5 to 9.7)."""
    if kind == b"brob":
        kind, packed = content[:4], content[4:]
        if kind not in {b"Exif", b"xml "}:
            return
        try:
            content = bytes(imagecodecs.brotli_decode(packed, out=limits.max_metadata_bytes))
        except (RuntimeError, ValueError):
            blocks.left_out.add("metadata that cannot be unpacked")
            return
    if kind == b"xml ":
        blocks.xmp = blocks.xmp or content
    elif len(content) > 4 and blocks.exif is None:
        blocks.exif = content[4 + int.from_bytes(content[:4], "big") :]


class _Bits:
    """Bits of a codestream, the lowest of each byte first (18181-1, B.2.1)."""

    def __init__(self, data: bytes) -> None:
        self._number = int.from_bytes(data, "little")
        self._left = 8 * len(data)

    def take(self, count: int) -> int:
        """The next bits as a number."""
        if count > self._left:
            raise cut_short("it has only the start of a header")
        self._left -= count
        value = self._number & (1 << count) - 1
        self._number >>= count
        return value

    def choose(self, *widths: tuple[int, int]) -> int:
        """A number of one of four widths, each with what is added to it."""
        add, width = widths[self.take(2)]
        return add + self.take(width)


def _read_start(codestream: bytes) -> _Start:
    """Read size, depth and how colours are coded (18181-1, annex D); the rest is the decoder's."""
    if not codestream.startswith(_CODESTREAM):
        raise Refuse("damaged", f"The file is damaged: the JPEG XL has no picture. {TRY_AGAIN}")
    bits = _Bits(codestream[2:])
    width_px, height_px = _read_size(bits)
    if bits.take(1):  # all_default
        return _Start(width_px, height_px, 8)
    if bits.take(1):  # extra_fields
        bits.take(3)  # orientation
        if bits.take(1):  # intrinsic size
            _read_size(bits)
        if bits.take(1) or bits.take(1):  # a preview, an animation
            raise _unsupported("with a preview or as an animation")
    depth = _read_depth(bits)
    bits.take(1)  # modular_16bit_buffers
    count = bits.choose((0, 0), (1, 0), (2, 4), (1, 12))
    extras = [_read_extra_channel(bits) for _ in range(min(count, _MOST_EXTRAS + 1))]
    if count > _MOST_EXTRAS:
        raise _unsupported(f"with {count} channels beside its colours")
    is_lossy = bits.take(1)  # xyb_encoded
    has_profile = not bits.take(1) and bits.take(1)  # all_default, want_icc
    if is_lossy and has_profile:
        raise Refuse(
            "unsupported",
            "The JPEG XL is lossy and carries a profile of its own, from which its decoder cannot "
            "make the colours that it was made of: those outside sRGB would be lost. Export it "
            "lossless, or in sRGB, Display P3 or BT.2020, or as a TIFF, and drop that.",
        )
    alpha = next((at for at, (kind, _) in enumerate(extras) if kind == 0), None)
    associated = alpha is not None and extras[alpha][1]
    return _Start(width_px, height_px, depth, count, alpha, associated)


def _read_depth(bits: _Bits) -> int:
    if bits.take(1):  # floating point
        depth = bits.choose((32, 0), (16, 0), (24, 0), (1, 6))
        bits.take(4)  # of which the exponent
        return depth
    return bits.choose((8, 0), (10, 0), (12, 0), (1, 6))


def _read_extra_channel(bits: _Bits) -> tuple[int, bool]:
    """Read what one extra channel is (D.3.6): 0 is alpha; whether colours are multiplied by it."""
    if bits.take(1):  # all_default
        return 0, False
    kind = bits.choose((0, 0), (1, 0), (2, 4), (18, 6))
    _read_depth(bits)
    bits.choose((0, 0), (3, 0), (4, 0), (1, 3))  # dim_shift
    for _ in range(bits.choose((0, 0), (0, 4), (16, 5), (48, 10))):  # its name
        bits.take(8)
    if kind == 0:
        return kind, bool(bits.take(1))
    if kind == 2:
        bits.take(64)  # a spot colour
    elif kind == 5:
        bits.choose((1, 0), (0, 2), (3, 4), (19, 8))  # of a colour filter
    return kind, False


def _read_size(bits: _Bits) -> tuple[int, int]:
    small = bits.take(1)

    def side() -> int:
        if small:
            return 8 * (1 + bits.take(5))
        return bits.choose((1, 9), (1, 13), (1, 18), (1, 30))

    height_px = side()
    ratio = bits.take(3)
    if ratio == 0:
        return side(), height_px
    over, under = _RATIOS[ratio]
    return height_px * over // under, height_px


def _unsupported(how: str) -> Refuse:
    return Refuse(
        "unsupported",
        f"The JPEG XL is stored {how}, which cannot be read here. Export it as a plain picture "
        "and drop that.",
    )
