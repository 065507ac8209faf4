"""OKLab, a space in which lines of equal hue are straight: for moving colours along their hue.

CIELAB's blues turn purple when their chroma is taken back. OKLab was fitted so that they do not.

References
----------
Ottosson, B. (2020). A perceptual color space for image processing.
https://bottosson.github.io/posts/oklab/ (matrices for XYZ under D65).

Adaptation between D65 and the PCS's D50 is Bradford's (ICC.1:2022, annex E).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats
from hotfolder.colour.encodings import D50_XYZ, EPSILON, KAPPA
from hotfolder.colour.machine_code import compiled, inlined, made, seen
from hotfolder.colour.slabs import over_slabs

_D65_XYZ = np.array([0.95047, 1.0, 1.08883])
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
_M1 = np.array(
    [
        [0.8189330101, 0.3618667424, -0.1288597137],
        [0.0329845436, 0.9293118715, 0.0361456387],
        [0.0482003018, 0.2643662691, 0.6338517070],
    ]
)
_M2 = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)
_TO_D65 = np.linalg.solve(
    _BRADFORD, ((_BRADFORD @ _D65_XYZ) / (_BRADFORD @ np.array(D50_XYZ)))[:, None] * _BRADFORD
)
_TO_CONES = _M1 @ _TO_D65
_FROM_CONES = np.linalg.inv(_TO_CONES)
_FROM_M2 = np.linalg.inv(_M2)
_WHITE = np.array(D50_XYZ)
_WORTH_A_THREAD = 50_000
_LEAST_OF_CONE = 0.25
"""What a cone takes at least, white 1, as a share of luminance: BT.2020 has 0.29 where it is
least, a saturated green."""
_NO_LEAST = -1e9


def lab_to_oklab(lab: Floats) -> NDArray[np.float64]:
    """CIELAB D50 to OKLab. Shape (..., 3): L 0 … 1, a, b about -0.4 … 0.4."""
    return _through(_to_oklab, lab, _TO_CONES, _M2)


def real_oklab(lab: Floats) -> NDArray[np.float64]:
    """`lab_to_oklab`, of colours that no eye sees as of the nearest to them that one does.

    A wide space has such blues and greens. A cone that takes less than no light turns OKLab's hue
    from blue to green, in a jump. Such a colour is taken towards the grey of its own luminance, in
    light, until each cone takes a little. All of BT.2020 stays as it is. Shape (..., 3).
    """
    return _through(_to_real_oklab, lab, _TO_CONES, _M2)


def oklab_to_lab(oklab: Floats) -> NDArray[np.float64]:
    """OKLab to CIELAB D50. Shape (..., 3)."""
    return _through(_from_oklab, oklab, _FROM_M2, _FROM_CONES)


def _through(
    loop: Callable[[Floats, Floats, Floats, Floats, Floats], None],
    given: Floats,
    first: Floats,
    second: Floats,
) -> NDArray[np.float64]:
    flat = np.ascontiguousarray(given, np.float64).reshape(-1, 3)
    first, second = np.ascontiguousarray(first), np.ascontiguousarray(second)
    out = np.empty_like(flat)

    def work(start: int, stop: int) -> None:
        loop(flat[start:stop], first, second, _WHITE, out[start:stop])

    over_slabs(work, len(flat), 1, worth_a_thread=_WORTH_A_THREAD)
    return out.reshape(given.shape)


@compiled(seen("f8", 2), seen("f8", 2), seen("f8", 2), seen("f8", 1), made("f8", 2))
def _to_oklab(lab: Floats, to_cones: Floats, to_oklab: Floats, white: Floats, out: Floats) -> None:
    _convert(lab, to_cones, to_oklab, white, _NO_LEAST, out)


@compiled(seen("f8", 2), seen("f8", 2), seen("f8", 2), seen("f8", 1), made("f8", 2))
def _to_real_oklab(
    lab: Floats, to_cones: Floats, to_oklab: Floats, white: Floats, out: Floats
) -> None:
    _convert(lab, to_cones, to_oklab, white, _LEAST_OF_CONE, out)


@inlined
def _convert(
    lab: Floats, to_cones: Floats, to_oklab: Floats, white: Floats, least: float, out: Floats
) -> None:
    """As `hotfolder.colour.encodings.lab_to_xyz` and two matrices, for one colour at a time."""
    xyz, cones = np.empty(3), np.empty(3)
    for colour in range(len(lab)):
        fy = (lab[colour, 0] + 16) / 116
        xyz[0], xyz[1], xyz[2] = fy + lab[colour, 1] / 500, fy, fy - lab[colour, 2] / 200
        for lane in range(3):
            f = xyz[lane]
            cube = f * f * f
            xyz[lane] = white[lane] * (cube if cube > EPSILON else (116 * f - 16) / KAPPA)
        for lane in range(3):
            total = to_cones[lane, 0] * xyz[0] + to_cones[lane, 1] * xyz[1]
            cones[lane] = total + to_cones[lane, 2] * xyz[2]
        Y = xyz[1]
        low = min(cones[0], cones[1], cones[2])
        share = 1.0
        if low < least * Y and Y > 0:
            share = (1 - least) * Y / (Y - low)
        for lane in range(3):
            cones[lane] = np.cbrt(cones[lane] if share == 1 else Y + share * (cones[lane] - Y))
        for lane in range(3):
            total = to_oklab[lane, 0] * cones[0] + to_oklab[lane, 1] * cones[1]
            out[colour, lane] = total + to_oklab[lane, 2] * cones[2]


@compiled(seen("f8", 2), seen("f8", 2), seen("f8", 2), seen("f8", 1), made("f8", 2))
def _from_oklab(
    oklab: Floats, to_cones: Floats, to_xyz: Floats, white: Floats, out: Floats
) -> None:
    """As two matrices and `hotfolder.colour.encodings.xyz_to_lab`, for one colour at a time."""
    f, cones = np.empty(3), np.empty(3)
    for colour in range(len(oklab)):
        for lane in range(3):
            total = to_cones[lane, 0] * oklab[colour, 0] + to_cones[lane, 1] * oklab[colour, 1]
            total += to_cones[lane, 2] * oklab[colour, 2]
            cones[lane] = total * total * total
        for lane in range(3):
            total = to_xyz[lane, 0] * cones[0] + to_xyz[lane, 1] * cones[1]
            ratio = (total + to_xyz[lane, 2] * cones[2]) / white[lane]
            f[lane] = np.cbrt(ratio) if ratio > EPSILON else (KAPPA * ratio + 16) / 116
        out[colour, 0] = 116 * f[1] - 16
        out[colour, 1] = 500 * (f[0] - f[1])
        out[colour, 2] = 200 * (f[1] - f[2])
