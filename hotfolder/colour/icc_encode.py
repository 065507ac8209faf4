"""Writing ICC profiles: values in, bytes out.

Covers what profiles of printers, displays and grey devices need, and what a table of our own for
a colour engine needs: any number of channels, any grid, any curves. Nothing here knows a device.

Clauses: ICC.1:2022 (version 4.4, the same text as ISO 15076-1) for the header, the tag table and
the types of version 4; ICC.1:2001-04 (version 2.4), clause 6.5.17, for ``textDescriptionType``.

Numbers for curves and grids are plain floats 0 … 1, meaning code 0 … 65535. `lab_to_codes` turns
L*, a*, b* into such numbers; the two versions of the 16-bit encoding differ by about 0.4 %.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from hashlib import md5
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

D50_XYZ = (0xF6D6 / 65536, 1.0, 0xD32D / 65536)
"""The PCS white in the s15Fixed16 codes that every profile carries (ICC.1:2022, 7.2.16)."""

_VERSION_CODES = {"2.4": 0x02400000, "4.4": 0x04400000}


@dataclass(frozen=True)
class Header:
    """The first 128 bytes (ICC.1:2022, 7.2), without what follows from the rest."""

    version: Literal["2.4", "4.4"]
    device_class: str
    """``"prtr"``, ``"mntr"``, ``"scnr"``, ``"spac"``, ``"link"``, ``"abst"``."""
    colour_space: str
    """``"RGB "``, ``"CMYK"``, ``"GRAY"``, ``"Lab "`` …."""
    pcs: str
    """``"XYZ "`` or ``"Lab "``."""
    created: datetime
    """Date and time in UTC, given by the caller so that equal input makes equal bytes."""
    intent: int = 0
    """0 perceptual, 1 media-relative, 2 saturation, 3 absolute colorimetric."""
    creator: str = "    "
    """Four-character signature of the maker, or four spaces."""


def encode_profile(header: Header, tags: Mapping[str, bytes]) -> bytes:
    """Lay out a profile: header, tag table, tag data.

    Tags whose data are equal share one copy. A version 4 profile gets its profile ID, the MD5 of
    the file with flags, intent and ID set to zero (ICC.1:2022, 7.2.18).

    Parameters
    ----------
    tags
        Data by four-character signature, each as one of this module's functions makes it.

    Raises
    ------
    ValueError
        When a signature does not have four ASCII characters.
    """
    offset = 128 + 4 + 12 * len(tags)
    table = struct.pack(">I", len(tags))
    body = b""
    places: dict[bytes, int] = {}
    for signature, data in tags.items():
        if data not in places:
            places[data] = offset + len(body)
            body += data + bytes(-len(data) % 4)
        table += struct.pack(">4sII", _signature(signature), places[data], len(data))
    profile = _header(header, offset + len(body), b"") + table + body
    if header.version == "2.4":
        return profile
    # The header as written here has zero flags; only the intent must be blanked for the digest.
    hashed = profile[:64] + bytes(4) + profile[68:]
    return profile[:84] + md5(hashed, usedforsecurity=False).digest() + profile[100:]


def lab_to_codes(lab: ArrayLike, version: Literal["2.4", "4.4"]) -> Floats:
    """Encode L*, a*, b* as the 16-bit PCSLAB of a table, as floats where 1.0 is code 65535.

    ========  =====================  =============================================
    version   L* 0 … 100             a*, b*
    ========  =====================  =============================================
    2.4       0 … 65280              -128 … 127 + 255/256 at 0 … 65535, 0 at 32768
    4.4       0 … 65535              -128 … 127 at 0 … 65535, 0 at 32896
    ========  =====================  =============================================

    ICC.1:2022, 6.3.4.2 (tables 12 and 13) and, for ``lut16Type`` in either version, 10.10:
    a ``lut16Type`` table always has the encoding of version 2.

    Parameters
    ----------
    lab
        Shape (..., 3), L* 0 … 100, a* and b* -128 … 127. Not clipped.

    Returns
    -------
    float64, shape (..., 3); 0 … 1 for colours that can be encoded.
    """
    lab = np.asarray(lab, dtype=np.float64)
    if version == "2.4":
        return (
            np.stack(
                [lab[..., 0] * 652.8, (lab[..., 1] + 128) * 256, (lab[..., 2] + 128) * 256], axis=-1
            )
            / 65535
        )
    return np.stack([lab[..., 0] / 100, (lab[..., 1] + 128) / 255, (lab[..., 2] + 128) / 255], -1)


def codes_to_lab(codes: ArrayLike, version: Literal["2.4", "4.4"]) -> Floats:
    """Decode what `lab_to_codes` encodes. Shape (..., 3), any floats."""
    codes = np.asarray(codes, dtype=np.float64)
    if version == "2.4":
        scale, offset = np.array([65535 / 652.8, 65535 / 256, 65535 / 256]), [0.0, 128.0, 128.0]
    else:
        scale, offset = np.array([100.0, 255.0, 255.0]), [0.0, 128.0, 128.0]
    return np.asarray(codes * scale - np.array(offset))


def xyz(values: ArrayLike) -> bytes:
    """``XYZType`` (ICC.1:2022, 10.31). Shape (3,) or (n, 3), Y of the PCS white = 1."""
    return b"XYZ " + bytes(4) + _s15_fixed16(values)


def s15_fixed16_array(values: ArrayLike) -> bytes:
    """``s15Fixed16ArrayType`` (ICC.1:2022, 10.22), any shape, in row order."""
    return b"sf32" + bytes(4) + _s15_fixed16(values)


def text(content: str) -> bytes:
    """``textType`` (ICC.1:2022, 10.24): 7-bit ASCII, for the copyright of version 2."""
    return b"text" + bytes(4) + content.encode("ascii") + b"\0"


def text_description(content: str) -> bytes:
    """``textDescriptionType`` (ICC.1:2001-04, 6.5.17), its ASCII part only, for version 2."""
    ascii_text = content.encode("ascii") + b"\0"
    no_unicode, no_script = bytes(8), bytes(2 + 1 + 67)
    head = b"desc" + struct.pack(">II", 0, len(ascii_text))
    return head + ascii_text + no_unicode + no_script


def localized_text(content: str, language: str = "en", country: str = "US") -> bytes:
    """``multiLocalizedUnicodeType`` (ICC.1:2022, 10.15) with one record, for version 4."""
    encoded = content.encode("utf-16-be")
    record = struct.pack(">II2s2sII", 1, 12, language.encode(), country.encode(), len(encoded), 28)
    return b"mluc" + bytes(4) + record + encoded


def curve(samples: ArrayLike = ()) -> bytes:
    """``curveType`` (ICC.1:2022, 10.6): samples at equal steps of the input, identity if none.

    Parameters
    ----------
    samples
        Shape (n,), n = 0 or n >= 2, values 0 … 1.

    Raises
    ------
    ValueError
        For one sample, which the type reads as a gamma: use `parametric_curve`.
    """
    samples = np.asarray(samples, dtype=np.float64)
    if samples.size == 1:
        raise ValueError("one sample would be read as a gamma; give none, or two and more")
    return b"curv" + struct.pack(">II", 0, samples.size) + _uint16(samples)


def parametric_curve(parameters: Sequence[float]) -> bytes:
    """``parametricCurveType`` (ICC.1:2022, 10.18), for version 4.

    Parameters
    ----------
    parameters
        g; or g a b; or g a b c; or g a b c d; or g a b c d e f: the count selects the function
        type 0 … 4, table 68.

    Raises
    ------
    ValueError
        For any other count.
    """
    kinds = {1: 0, 3: 1, 4: 2, 5: 3, 7: 4}
    if len(parameters) not in kinds:
        raise ValueError(f"1, 3, 4, 5 or 7 parameters, not {len(parameters)}")
    head = struct.pack(">IHH", 0, kinds[len(parameters)], 0)
    return b"para" + head + _s15_fixed16(parameters)


def lut16(input_curves: ArrayLike, grid: ArrayLike, output_curves: ArrayLike) -> bytes:
    """``lut16Type`` (ICC.1:2022, 10.10): curves, grid, curves. Lab in it is encoded as version 2.

    Parameters
    ----------
    input_curves
        Shape (inputs, n), 2 <= n <= 4096, values 0 … 1.
    grid
        Shape (g, …, g, outputs) with `inputs` times the same g: the grid point of the first input
        varies slowest. Values 0 … 1.
    output_curves
        Shape (outputs, m), 2 <= m <= 4096, values 0 … 1.

    Raises
    ------
    ValueError
        When the shapes do not fit together.
    """
    curves_in, curves_out = np.asarray(input_curves), np.asarray(output_curves)
    nodes = np.asarray(grid)
    inputs, outputs = nodes.ndim - 1, nodes.shape[-1]
    if len(set(nodes.shape[:-1])) != 1 or len(curves_in) != inputs or len(curves_out) != outputs:
        raise ValueError(
            f"{len(curves_in)} input and {len(curves_out)} output curves do not fit a grid of "
            f"shape {nodes.shape}"
        )
    if not all(2 <= curves.shape[1] <= 4096 for curves in (curves_in, curves_out)):
        raise ValueError("a curve has 2 to 4096 samples")
    head = struct.pack(">IBBBB", 0, inputs, outputs, nodes.shape[0], 0)
    unit_matrix = _s15_fixed16(np.eye(3))
    counts = struct.pack(">HH", curves_in.shape[1], curves_out.shape[1])
    tables = _uint16(curves_in) + _uint16(nodes) + _uint16(curves_out)
    return b"mft2" + head + unit_matrix + counts + tables


def lut_a_to_b(
    a_curves: Sequence[bytes],
    grid: ArrayLike,
    b_curves: Sequence[bytes],
    m_curves: Sequence[bytes] = (),
    matrix: ArrayLike = (),
) -> bytes:
    """``lutAToBType`` (ICC.1:2022, 10.12): A curves, grid, M curves, matrix, B curves.

    Parameters
    ----------
    a_curves, m_curves, b_curves
        One per channel, each made by `curve` or `parametric_curve`. A: as many as inputs; B and
        M: as many as outputs. M curves and matrix come together or not at all.
    grid
        Shape (g1, …, gn, outputs): the grid may have another number of points for each input,
        2 … 255. Values 0 … 1.
    matrix
        Shape (3, 4): the last column is added.

    Raises
    ------
    ValueError
        When the shapes do not fit together.
    """
    nodes = np.asarray(grid)
    _check_curves(nodes.ndim - 1, len(a_curves), nodes.shape[-1], len(b_curves))
    return _lut_with_offsets(b"mAB ", nodes, a_curves, b_curves, m_curves, np.asarray(matrix))


def lut_b_to_a(
    b_curves: Sequence[bytes],
    grid: ArrayLike,
    a_curves: Sequence[bytes],
    m_curves: Sequence[bytes] = (),
    matrix: ArrayLike = (),
) -> bytes:
    """``lutBToAType`` (ICC.1:2022, 10.13): B curves, matrix, M curves, grid, A curves.

    As `lut_a_to_b`, the other way round: B and M curves are as many as inputs, A as outputs.
    """
    nodes = np.asarray(grid)
    _check_curves(nodes.ndim - 1, len(b_curves), nodes.shape[-1], len(a_curves))
    return _lut_with_offsets(b"mBA ", nodes, a_curves, b_curves, m_curves, np.asarray(matrix))


def _check_curves(inputs: int, curves_in: int, outputs: int, curves_out: int) -> None:
    if (inputs, outputs) != (curves_in, curves_out):
        raise ValueError(
            f"a grid with {inputs} inputs and {outputs} outputs does not fit {curves_in} curves "
            f"before and {curves_out} after it"
        )


def _lut_with_offsets(
    kind: bytes,
    nodes: NDArray[np.float64],
    a_curves: Sequence[bytes],
    b_curves: Sequence[bytes],
    m_curves: Sequence[bytes],
    matrix: NDArray[np.float64],
) -> bytes:
    grid_points = bytes(nodes.shape[:-1]) + bytes(16 - (nodes.ndim - 1))
    clut = grid_points + bytes([2, 0, 0, 0]) + _uint16(nodes)
    matrix_bytes = _s15_fixed16(np.r_[matrix[:, :3].ravel(), matrix[:, 3]]) if matrix.size else b""
    parts = [_padded(b_curves), matrix_bytes, _padded(m_curves), clut, _padded(a_curves)]
    offsets, data = [], b""
    for part in parts:
        offsets.append(32 + len(data) if part else 0)
        data += part + bytes(-len(part) % 4)
    channels = (nodes.ndim - 1, nodes.shape[-1])
    return kind + bytes(4) + struct.pack(">BBH5I", *channels, 0, *offsets) + data


def _padded(curves: Sequence[bytes]) -> bytes:
    return b"".join(each + bytes(-len(each) % 4) for each in curves)


def _header(header: Header, size: int, profile_id: bytes) -> bytes:
    when = header.created
    return struct.pack(
        ">I4sI4s4s4s6H4s4sI4sI8sI3i4s16s28x",
        size,
        bytes(4),
        _VERSION_CODES[header.version],
        _signature(header.device_class),
        _signature(header.colour_space),
        _signature(header.pcs),
        *(when.year, when.month, when.day, when.hour, when.minute, when.second),
        b"acsp",
        bytes(4),
        0,
        bytes(4),
        0,
        bytes(8),
        header.intent,
        *(round(value * 65536) for value in D50_XYZ),
        _signature(header.creator) if header.creator.strip() else bytes(4),
        profile_id,
    )


def _signature(name: str) -> bytes:
    code = name.encode("ascii")
    if len(code) != 4:
        raise ValueError(f"a signature has four characters, {name!r} has {len(code)}")
    return code


def _s15_fixed16(values: ArrayLike) -> bytes:
    return np.rint(np.asarray(values, dtype=np.float64) * 65536).astype(">i4").tobytes()


def _uint16(values: ArrayLike) -> bytes:
    scaled = np.rint(np.clip(np.asarray(values, dtype=np.float64), 0, 1) * 65535)
    return scaled.astype(">u2").tobytes()
