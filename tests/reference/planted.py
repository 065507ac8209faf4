"""Defects planted into the tables of profiles, each at a place that is known."""

import struct

import numpy as np

from hotfolder.colour.profile import Profile


def _place(profile, name):
    """Offset of a table's nodes, their type and shape (ICC.1:2022, 10.10 to 10.13)."""
    offset, size = profile.tags[name]
    tag = profile.data[offset : offset + size]
    inputs, outputs = tag[8], tag[9]
    if tag[:4] in (b"mAB ", b"mBA "):
        to_nodes = struct.unpack_from(">5I", tag, 12)[3]
        kind = np.dtype("u1" if tag[to_nodes + 16] == 1 else ">u2")
        return offset + to_nodes + 20, kind, (*tag[to_nodes : to_nodes + inputs], outputs)
    shape = (*[tag[10]] * inputs, outputs)
    if tag[:4] == b"mft1":
        return offset + 48 + 256 * inputs, np.dtype("u1"), shape
    entries = struct.unpack_from(">H", tag, 48)[0]
    return offset + 52 + 2 * inputs * entries, np.dtype(">u2"), shape


def plant(profile, name, change):
    """The profile with the nodes of one table changed: floats 0 … 1, in place or returned."""
    at, kind, shape = _place(profile, name)
    most = np.iinfo(kind).max
    nodes = np.frombuffer(profile.data, kind, int(np.prod(shape)), at).reshape(shape) / most
    nodes = nodes.copy()
    made = change(nodes)
    made = np.clip(nodes if made is None else made, 0, 1)
    data = np.rint(made * most).astype(kind).tobytes()
    return Profile.parse(profile.data[:at] + data + profile.data[at + len(data) :])


def with_white(profile, xyz):
    """The profile with another media white."""
    at = profile.tags["wtpt"][0] + 8
    data = struct.pack(">3i", *(round(each * 65536) for each in xyz))
    return Profile.parse(profile.data[:at] + data + profile.data[at + 12 :])
