"""The nearest colour that a profile says its medium can make: slow and plain, by LittleCMS alone.

A grid of device values, of which the thousands nearest in ΔE*ab are compared with each colour;
then, from the best few, every neighbour at a distance that is halved when none is nearer.
"""

from itertools import product

import numpy as np

from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.engine import to_lab

SIDES = {1: 4097, 3: 25, 4: 13}
COMPARED = 3000
STARTS = 4
SMALLEST = 1e-4
TOGETHER = 32
"""Colours looked at in one go; for speed only."""


def brute_force(profile, wanted, caps=None, enough=0.0):
    """ΔE00 to the nearest colour: shape (n, 3) to (n,).

    `caps`: largest sums of ink, shape (n,). Of a colour that comes nearer than `enough`, nothing
    nearer still is looked for.
    """
    channels = profile.encoding.channels
    side = np.linspace(0, 1, SIDES[channels])
    device = np.stack(np.meshgrid(*[side] * channels, indexing="ij"), -1).reshape(-1, channels)
    lab = colours(profile, device)
    caps = np.full(len(wanted), np.inf) if caps is None else np.asarray(caps)
    if not len(wanted):
        return np.zeros(0)
    return np.concatenate(
        [
            nearest_to(profile, wanted[part], device, lab, caps[part], enough)
            for part in (slice(at, at + TOGETHER) for at in range(0, len(wanted), TOGETHER))
        ]
    )


def nearest_to(profile, wanted, device, lab, caps, enough):
    square = (lab**2).sum(axis=1) - 2 * wanted @ lab.T  # but for what is the same for all
    square[device.sum(axis=1) > caps[:, None] + 1e-9] = np.inf
    near = np.argpartition(square, COMPARED, axis=1)[:, :COMPARED]
    distance = delta_e_00(wanted[:, None], lab[near])
    distance[np.isinf(np.take_along_axis(square, near, axis=1))] = np.inf
    order = np.argpartition(distance, STARTS, axis=1)[:, :STARTS]
    best = np.take_along_axis(near, order, axis=1)
    places, distances = device[best], np.take_along_axis(distance, order, axis=1)
    channels = device.shape[1]
    moves = np.array(list(product((-1, 0, 1), repeat=channels)))
    steps = np.full(len(wanted), 0.5 / (SIDES[channels] - 1))
    while True:
        left = np.flatnonzero((steps > SMALLEST) & (distances.min(axis=1) > enough))
        if not left.size:
            return distances.min(axis=1)
        # Shape (colours, starts, moves, channels).
        tried = np.clip(places[left][:, :, None] + steps[left, None, None, None] * moves, 0, 1)
        made = colours(profile, tried.reshape(-1, channels)).reshape(*tried.shape[:-1], 3)
        off = delta_e_00(wanted[left][:, None, None], made)
        off = np.where(tried.sum(axis=-1) > caps[left, None, None] + 1e-9, np.inf, off)
        least, off = off.argmin(axis=-1), off.min(axis=-1)
        nearer = off < distances[left] - 1e-6
        found = np.take_along_axis(tried, least[..., None, None], axis=2)[:, :, 0]
        places[left] = np.where(nearer[..., None], found, places[left])
        distances[left] = np.minimum(distances[left], off)
        steps[left] = np.where(nearer.any(axis=1), steps[left], steps[left] / 2)


def colours(profile, device):
    return to_lab(profile, np.rint(device * 65535).astype(np.uint16))
