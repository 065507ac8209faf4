"""HPMINDE and SGCK, the two that CIE 156:2004 names for comparison: plain, slow, in CIELAB.

From memory of CIE 156:2004, Guidelines for the evaluation of gamut mapping algorithms, not looked
up. HPMINDE: a colour outside becomes the nearest of its own hue, in the plane of lightness and
chroma. SGCK: lightness goes by the sigmoid of Braun & Fairchild (1999), the less so the more chroma
a colour has; then colours move towards the grey of the lightness at which the hue is most
colourful, the outer tenth of the way compressed from the source's gamut into the medium's.

Both take colours relative to the two whites and give colours of the medium. They share no code
with the program, but for the conversion between device values and colours.
"""

from __future__ import annotations

import numpy as np

from hotfolder.colour.engine import to_lab

HUES, STEPS, ANGLES = 360, 101, 181


def device_colours(profile, side=None):
    """Colours of device values everywhere: shape (n, 3). CMYK up to the ink that its table lays."""
    channels = profile.encoding.channels
    axis = np.linspace(0, 65535, side or {3: 65, 4: 25}[channels]).astype(np.uint16)
    device = np.stack(np.meshgrid(*[axis] * channels, indexing="ij"), axis=-1)
    device = device.reshape(-1, channels)
    if channels == 4:
        from hotfolder.colour.medium import largest_ink_sum

        device = device[device.sum(axis=1) <= largest_ink_sum(profile) * 65535]
    else:  # the faces are enough
        device = device[((device == 0) | (device == 65535)).any(axis=1)]
    return to_lab(profile, device[None])[0]


def filled(table):
    """Fill the entries that nothing fell into from their neighbours round about."""
    while (table == 0).any():
        near = [np.roll(table, step, axis=0) for step in (-1, 1)]
        below, above = np.zeros_like(table), np.zeros_like(table)
        below[:, 1:], above[:, :-1] = table[:, :-1], table[:, 1:]
        spread = np.max([*near, below, above], axis=0)
        if not spread.any():
            break
        empty = table == 0
        table = np.where(empty, spread, table)
    return table


def polar(lab):
    """L*, C*, and the hue in whole degrees."""
    hue = np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) % 360
    return lab[:, 0], np.hypot(lab[:, 1], lab[:, 2]), hue.astype(int) % HUES


class Planes:
    """Largest chroma of a gamut by hue and lightness."""

    def __init__(self, colours):
        L, C, h = polar(colours)
        self.darkest, self.lightest = L.min(), L.max()
        self.lightness = np.linspace(self.darkest, self.lightest, STEPS)
        row = np.rint((L - self.darkest) / (self.lightest - self.darkest) * (STEPS - 1)).astype(int)
        table = np.zeros((HUES, STEPS))
        np.maximum.at(table, (h, row), C)
        self.chroma = filled(table)
        self.chroma[:, [0, -1]] = 0
        self.cusps = self.lightness[self.chroma.argmax(axis=1)]

    def most(self, L, h):
        """Largest chroma at a lightness and hue; 0 outside."""
        at = (L - self.darkest) / (self.lightest - self.darkest) * (STEPS - 1)
        low = np.clip(np.floor(at).astype(int), 0, STEPS - 2)
        part = np.clip(at - low, 0, 1)
        inside = (at >= 0) & (at <= STEPS - 1)
        return inside * (self.chroma[h, low] * (1 - part) + self.chroma[h, low + 1] * part)


def hpminde(medium_colours, lab):
    """The nearest colour of the same hue that the medium has."""
    planes = Planes(medium_colours)
    L, C, h = polar(lab)
    inside = planes.most(L, h) >= C
    out = lab.copy()
    for hue in np.unique(h[~inside]):
        which = np.flatnonzero(~inside & (h == hue))
        line = np.stack([planes.lightness, planes.chroma[hue]], axis=1)
        a, way = line[:-1], np.diff(line, axis=0)
        point = np.stack([L[which], C[which]], axis=1)[:, None]
        share = ((point - a) * way).sum(-1) / (way * way).sum(-1)
        foot = a + np.clip(share, 0, 1)[..., None] * way
        best = ((point - foot) ** 2).sum(-1).argmin(axis=1)
        found = foot[np.arange(len(which)), best]
        scale = found[:, 1] / np.maximum(C[which], 1e-9)
        out[which] = np.stack([found[:, 0], lab[which, 1] * scale, lab[which, 2] * scale], axis=1)
    return out


def sigmoid(L, darkest, lightest):
    """Braun & Fairchild's curve for a medium; L is 0 … 100."""
    x0 = np.interp(darkest, [5, 10, 15, 20], [53.7, 56.8, 58.2, 60.6])
    sigma = np.interp(darkest, [5, 10, 15, 20], [43.0, 40.0, 35.0, 34.5])
    at = np.linspace(0, 100, 101)
    total = np.cumsum(np.exp(-((at - x0) ** 2) / (2 * sigma**2)))
    share = (total - total[0]) / (total[-1] - total[0])
    return np.interp(L, at, darkest + (lightest - darkest) * share)


def lightness_laid(lab, darkest, lightest):
    """SGCK's first step: the less, the more chroma."""
    C3 = np.hypot(lab[:, 1], lab[:, 2]) ** 3
    weight = 1 - np.sqrt(C3 / (C3 + 5e5))
    out = lab.copy()
    out[:, 0] = (1 - weight) * lab[:, 0] + weight * sigmoid(lab[:, 0], darkest, lightest)
    return out


def reaches(colours, cusps):
    """How far a gamut goes from the grey of the cusp, by hue and angle in its plane."""
    L, C, h = polar(colours)
    angle = np.arctan2(L - cusps[h], np.maximum(C, 1e-6))
    far = np.hypot(L - cusps[h], C)
    column = np.rint((angle / np.pi + 0.5) * (ANGLES - 1)).astype(int)
    table = np.zeros((HUES, ANGLES))
    np.maximum.at(table, (h, column), far)
    return filled(table)


def sgck(source_colours, medium_colours, lab):
    """Sigmoid in lightness, then a knee towards the cusp; from the source's gamut."""
    planes = Planes(medium_colours)
    darkest, lightest = planes.darkest, planes.lightest
    source = lightness_laid(source_colours, darkest, lightest)
    laid = lightness_laid(lab, darkest, lightest)
    of_source, of_medium = reaches(source, planes.cusps), reaches(medium_colours, planes.cusps)
    L, C, h = polar(laid)
    angle = np.arctan2(L - planes.cusps[h], np.maximum(C, 1e-6))
    column = np.rint((angle / np.pi + 0.5) * (ANGLES - 1)).astype(int)
    far, most, goes = np.hypot(L - planes.cusps[h], C), of_medium[h, column], of_source[h, column]
    knee = 0.9 * most
    beyond = (far - knee) * 0.1 * most / np.maximum(goes - knee, 1e-9)
    moved = np.where(far <= knee, far, np.where(goes > most, knee + beyond, far))
    moved = np.minimum(moved, most)
    scale = moved / np.maximum(far, 1e-9)
    out = laid.copy()
    out[:, 0] = planes.cusps[h] + (L - planes.cusps[h]) * scale
    out[:, 1:] *= scale[:, None]
    return out
