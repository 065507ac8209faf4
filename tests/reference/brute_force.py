"""The nearest colour that a profile says its medium can make: slow and plain, by LittleCMS alone.

A grid of device values, all of them compared with each colour; then, from the best few, every
neighbour at a distance that is halved when none of them is nearer.
"""

from itertools import product

import numpy as np

from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.engine import to_lab

SIDES = {1: 4097, 3: 25, 4: 13}
STARTS = 4
SMALLEST = 1e-4


def brute_force(profile, wanted, caps=None):
    """ΔE00 to the nearest colour: shape (n, 3) to (n,). `caps`: largest sums of ink, shape (n,)."""
    channels = profile.encoding.channels
    side = np.linspace(0, 1, SIDES[channels])
    device = np.stack(np.meshgrid(*[side] * channels, indexing="ij"), -1).reshape(-1, channels)
    lab = colours(profile, device)
    sums = device.sum(axis=1)
    return np.array(
        [
            nearest_to(profile, colour, device, lab, sums, np.inf if caps is None else caps[at])
            for at, colour in enumerate(wanted)
        ]
    )


def nearest_to(profile, colour, device, lab, sums, cap):
    allowed = np.flatnonzero(sums <= cap + 1e-9)
    distance = delta_e_00(colour, lab[allowed])
    best = np.argsort(distance)[:STARTS]
    places, distances = device[allowed[best]], distance[best]
    channels = device.shape[1]
    moves = np.array(list(product((-1, 0, 1), repeat=channels)))
    step = 0.5 / (SIDES[channels] - 1)
    while step > SMALLEST:
        tried = np.clip(places[:, None] + step * moves, 0, 1)
        off = delta_e_00(colour, colours(profile, tried.reshape(-1, channels)))
        off = np.where(tried.sum(axis=-1).ravel() > cap + 1e-9, np.inf, off).reshape(
            len(places), -1
        )
        least = off.argmin(axis=1)
        nearer = off.min(axis=1) < distances - 1e-6
        places = np.where(nearer[:, None], tried[np.arange(len(places)), least], places)
        distances = np.minimum(distances, off.min(axis=1))
        if not nearer.any():
            step /= 2
    return distances.min()


def colours(profile, device):
    return to_lab(profile, np.rint(device * 65535).astype(np.uint16))
