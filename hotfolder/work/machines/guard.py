"""What the library for machines may do with bytes that another machine has sent: no more than read.

`distributed` unpickles what its own messages ask it to, whatever (de)serialisers it was told to
use: a message with ``__Pickled__`` in it, the header of its family "dask", an exception that came
as bytes. Unpickling is doing what the sender wants. None of our messages needs it, nor does a
scheduler or a machine for joining and for signs of life. So in each process of ours that loads the
library (daemon, scheduler, machine) unpickling is replaced by an error, together with
decompression, which could fill the memory from a few bytes, and with messages that are larger than
any of ours. Its tests send each of them.
"""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable
from typing import Final, NoReturn, TypeVar

_Read = TypeVar("_Read")

MOST_BYTES: Final = 16 * 2**20
"""The largest message that is read; ours are of at most `messages.MOST_SAID_BYTES`."""

SERIALIZERS: Final = ["msgpack", "error"]
"""The families in which we send and which we read: plain values, and texts of errors."""

_CONFIG: Final[dict[str, object]] = {
    "distributed.comm.compression": None,
    "distributed.comm.retry.count": 0,
    "distributed.comm.timeouts.connect": "10s",
    "distributed.comm.timeouts.tcp": "30s",
    "distributed.comm.websockets.shard": "8MiB",
    "distributed.admin.system-monitor.interval": "2s",
    "distributed.admin.system-monitor.gil.enabled": False,
    "distributed.admin.pdb-on-err": False,
    "distributed.scheduler.allowed-imports": [],
    "distributed.scheduler.worker-ttl": "30s",
    "distributed.scheduler.http.routes": [],
    "distributed.scheduler.preload": [],
    "distributed.scheduler.work-stealing": False,
    "distributed.scheduler.locks.lease-validation-interval": "60s",
    "distributed.worker.http.routes": [],
    "distributed.worker.preload": [],
    "distributed.worker.profile.enabled": False,
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": False,
    "distributed.worker.memory.terminate": False,
}


class NotRead(OSError):
    """What another machine has sent is not read."""


def load_guarded() -> None:
    """Load the library and take from it what could do what a sender wants; once is enough."""
    import dask
    import distributed
    from distributed.comm import tcp
    from distributed.protocol import compression, pickle

    dask.config.set(_CONFIG)
    # what counts is said in our own words; a liar could fill a log with the library's
    log = logging.getLogger("distributed")
    log.handlers, log.propagate = [logging.NullHandler()], False
    _ = distributed  # all of it is loaded: what follows replaces what was loaded
    pickle.loads = _refuse_to_unpickle
    for name in [each for each in compression.compressions if each not in {None, False}]:
        compression.compressions[name] = compression.Compression(name, bytes, _refuse_to_expand)
    if tcp.read_bytes_rw.__module__ != __name__:
        tcp.read_bytes_rw = _limited(tcp.read_bytes_rw)


def _refuse_to_unpickle(*_args: object, **_options: object) -> NoReturn:
    raise NotRead("it has sent a pickle, which is never read")


def _refuse_to_expand(*_args: object, **_options: object) -> NoReturn:
    raise NotRead("it has sent compressed bytes, which are never read")


def _limited(
    read: Callable[[object, int], Awaitable[_Read]],
) -> Callable[[object, int], Awaitable[_Read]]:
    async def read_little(stream: object, number: int) -> _Read:
        if number > MOST_BYTES:
            raise NotRead(f"it has sent a message of {number} bytes, which is not read")
        return await read(stream, number)

    return read_little
