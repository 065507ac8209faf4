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
from importlib.metadata import version
from pathlib import Path
from typing import Final

from hotfolder.stages.registry import Registry

_LIBRARIES: Final = (
    "colour-science", "imagecodecs", "numba", "numpy", "pillow", "pydantic", "scipy", "tifffile",
)  # fmt: skip


@cache
def hash_build() -> str:
    """Hash this package's source, the libraries' versions, and the kind of machine.

    Returns
    -------
    SHA-256 as hexadecimal digits.
    """
    import hotfolder

    top = Path(hotfolder.__file__).parent
    said = [f"{name} {version(name)}" for name in _LIBRARIES]
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


def _hash_files(top: Path, files: list[Path], *also: str) -> str:
    digest = hashlib.sha256("\n".join(also).encode())
    for path in files:
        data = path.read_bytes()
        name = path.relative_to(top).as_posix()
        digest.update(f"{name}\0{len(data)}\0".encode() + data)
    return digest.hexdigest()
