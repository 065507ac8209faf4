"""What makes pixels on a machine, as hashes: the same build gives the same bytes.

By the source itself and the versions of libraries, not by a number that somebody must remember to
raise. A machine with another build is not asked to work; one whose stage differs is not asked for
destinations that use it.
"""

from __future__ import annotations

import hashlib
import inspect
import platform
import sys
from functools import cache
from importlib.metadata import PackageNotFoundError, metadata, requires, version
from pathlib import Path
from typing import Final

from packaging.requirements import Requirement

from hotfolder.stages.registry import Registry

_NOT_AT_WORK: Final = frozenset(
    {
        "cryptography", "distributed", "filelock", "packaging", "pluggy", "python-calamine",
        "python-multipart", "rich", "starlette", "structlog", "typer", "uvicorn", "watchdog",
    }
)  # fmt: skip
"""Libraries that a worker does without: their versions may differ."""
_EXTRAS_NOT_AT_WORK: Final = frozenset({"dask", "dev"})


@cache
def hash_build() -> str:
    """Hash this package's source, the libraries' versions, and the kind of machine.

    Returns
    -------
    SHA-256 as hexadecimal digits.
    """
    import hotfolder

    top = Path(hotfolder.__file__).parent
    said = [f"{name} {_find_version(name)}" for name in _list_libraries()]
    said += [platform.system(), platform.machine(), "{}.{}".format(*sys.version_info)]
    return _hash_files(top, sorted(top.rglob("*.py")), "\n".join(said))


def hash_stages(registry: Registry) -> dict[str, str]:
    """Hash the source of each stage: its module, with all that lies beside and below it.

    Returns
    -------
    SHA-256 by the stage's name.
    """
    found: dict[Path, str] = {}
    hashes = {}
    for name, stage in registry.stages.items():
        file = Path(inspect.getfile(stage))
        # a module that is in no package has strangers beside it
        place = file.parent if "." in stage.__module__ else file
        if place not in found:
            files = sorted(place.rglob("*.py")) if place.is_dir() else [file]
            found[place] = _hash_files(file.parent, files)
        whole = f"{found[place]} {file.name} {stage.__qualname__}"
        hashes[name] = hashlib.sha256(whole.encode()).hexdigest()
    return hashes


def _list_libraries() -> list[str]:
    """Name what this package needs for its work, with its extras, as its own metadata say."""
    found = set()
    for line in requires("hotfolder") or ():
        needed = Requirement(line)
        extras = [
            extra
            for extra in metadata("hotfolder").get_all("Provides-Extra") or ()
            if needed.marker is not None and needed.marker.evaluate({"extra": extra})
        ]
        is_of_others = extras and set(extras) <= _EXTRAS_NOT_AT_WORK
        if needed.name.lower() not in _NOT_AT_WORK and not is_of_others:
            found.add(needed.name.lower())
    return sorted(found)


def _find_version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "none"  # of an extra


def _hash_files(top: Path, files: list[Path], *also: str) -> str:
    digest = hashlib.sha256("\n".join(also).encode())
    for path in files:
        data = path.read_bytes()
        name = path.relative_to(top).as_posix()
        digest.update(f"{name}\0{len(data)}\0".encode() + data)
    return digest.hexdigest()
