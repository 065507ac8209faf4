"""Who drops what into the hot folders, and what was really dropped: the left side of the books.

A file counts as arrived when its last byte is there, once; one that its sender takes back or
replaces counts when the file system says that the program had taken it before.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import random
import shutil
import stat
import struct
import time
import zlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from PIL import Image

from faults.fuzz import corpus, mutated
from faults.soaking.place import DESTINATIONS, EXCHANGE, NOREPLACE, Place, has_gone, rename2

NAMES = (
    "reeds", "mud", "low water", "dawn over the flats", "creek", "e\u0301bb", "\u00e9bb", "MUD",
    "Reeds",
    "con", "aux.b", "-rf", "=cmd", "<script>alert(1)", "a\nb", "\x1b[2J\x1b]0;x\x07", "\u202egpj",
    "up..%2f..%2fx", "100%", "{stem}", "trailing. ", "x" * 240, "\u00fc" * 120, "'; drop", "$(id)",
    "\udcff\udcfe", "a\tb\rc", "\u200b", "log.jsonl", "record.json", "why.txt", "release.json",
    "result",
    "index.html", "thumbnail.jpg", "proof-sheet.html", "original",
)  # fmt: skip
FOLDERS = (
    "", "", "", "", "", "", "", "spring tide", "spring tide/plates", "a\nb/c", "con/e\u0301",
    "\udce9", "mud", "reeds/creek", "sheets", "log.jsonl", "index.html",
)  # fmt: skip


@dataclass
class Slow:
    """A sender who writes in pieces."""

    path: Path
    file: Any
    rest: bytes
    due: float


class Senders:
    """Drops files.

    arrived: originals by SHA-256; inside: files in dropped folders; sidecars: those too.
    """

    def __init__(self, place: Place, rng: random.Random) -> None:
        self.place, self.rng = place, rng
        self.arrived: Counter[str] = Counter()
        self.inside: Counter[str] = Counter()
        self.sidecars: Counter[str] = Counter()
        self.no_files: Counter[str] = Counter()
        """Links, pipes and folders."""
        self.kinds: Counter[str] = Counter()
        self._corpus = {k: v for k, v in corpus().items() if not k.startswith("icc")}
        self._icc = (place.root.profiles / "srgb.icc").read_bytes()
        self._number = 0
        self._last = b""
        self._slow: list[Slow] = []

    def act(self) -> None:
        """Drop one thing, or do something about what waits."""
        ways = {
            self._good: 50, self._same_bytes: 5, self._no_profile: 5, self._damaged: 20,
            self._cut: 5, self._odd_content: 4, self._bomb: 1, self._link: 2, self._pipe: 1,
            self._folder: 2, self._second_name: 2, self._slowly: 4, self._replace: 4,
            self._take_back: 3, self._with_sidecar: 20,
        }  # fmt: skip
        (way,) = self.rng.choices(list(ways), list(ways.values()))
        destination = self.rng.choice(DESTINATIONS)
        if self.place.root.path / "in" / destination in self.place.away:
            return  # nobody drops into a folder that is not there
        try:
            way(destination)
        except OSError:
            self.kinds["no room or no permission for the sender"] += 1
        else:
            self.kinds[way.__name__.strip("_").replace("_", " ")] += 1

    def go_on(self, *, ended: bool = False) -> None:
        """Write on where a slow sender is due."""
        for slow in list(self._slow):
            if ended or time.monotonic() >= slow.due:
                piece = slow.rest if ended or len(slow.rest) < 400 else slow.rest[:400]
                slow.rest = slow.rest[len(piece) :]
                slow.due = time.monotonic() + self.rng.uniform(0.2, 2)
                with contextlib.suppress(OSError):  # no room: what is there is what was sent
                    slow.file.write(piece)
                if not slow.rest:
                    slow.file.seek(0)
                    self.arrived[_sha(slow.file.read())] += 1
                    slow.file.close()
                    self._slow.remove(slow)

    # what is dropped

    def _good(self, destination: str) -> None:
        self._drop(destination, self._picture())

    def _with_sidecar(self, destination: str) -> None:
        target = self._free(destination, self.rng.choice((".tif", ".jpg")))
        data = f"<x>{self._next()}</x>".encode()
        self._put(target.with_name(f"{target.name}.xmp"), data)
        self.sidecars[_sha(data)] += 1
        picture = self._picture(icc=self.rng.choice((b"", None)))
        self._put(target, picture)
        self.arrived[_sha(picture)] += 1

    def _same_bytes(self, destination: str) -> None:
        self._drop(destination, self._last or self._picture())

    def _no_profile(self, destination: str) -> None:
        self._drop(destination, self._picture(icc=None))

    def _damaged(self, destination: str) -> None:
        _, data = mutated(self._corpus, self.rng.randrange(1 << 20), self._next())
        self._drop(destination, data)

    def _cut(self, destination: str) -> None:
        data = self._picture()
        self._drop(destination, data[: self.rng.randrange(len(data))])

    def _odd_content(self, destination: str) -> None:
        kinds = (b"", b"\0" * 5000, b"dear printer", self.rng.randbytes(3000), b"\0" * (8 << 20))
        self._drop(destination, self.rng.choice(kinds))

    def _bomb(self, destination: str) -> None:
        self._drop(destination, png_bomb())

    def _link(self, destination: str) -> None:
        path = self._free(destination)
        path.symlink_to(self.place.aside(destination) / "canary.tif")
        self.no_files["link"] += 1

    def _pipe(self, destination: str) -> None:
        os.mkfifo(self._free(destination))
        self.no_files["pipe"] += 1

    def _folder(self, destination: str) -> None:
        made = self.place.aside(destination) / f"folder-{self._next()}"
        made.mkdir()
        data = [self._picture() for _ in range(self.rng.randrange(3))]
        try:  # the disk may be full
            for number, each in enumerate(data):
                (made / f"{number}.tif").write_bytes(each)
            rename2(made, self._free(destination, ".tif"), NOREPLACE)
        except OSError:
            shutil.rmtree(made)
            raise
        self.inside.update(map(_sha, data))
        self.no_files["folder"] += 1

    def _second_name(self, destination: str) -> None:
        data = self._picture()
        mine = self.place.aside(destination) / f"mine-{self._next()}"
        _write(mine, data)
        self._free(destination).hardlink_to(mine)
        self.arrived[_sha(data)] += 1

    def _slowly(self, destination: str) -> None:
        data = self._picture()
        path = self._free(destination)
        file = path.open("x+b", buffering=0)
        self._slow.append(Slow(path, file, data, time.monotonic()))

    # what is done about files that wait

    def _replace(self, destination: str) -> None:
        old = self._waiting(destination)
        if old is None:
            return
        data = self._picture()
        mine = self._mine(old.parent, data)
        try:
            rename2(mine, old, EXCHANGE)
        except OSError as error:
            mine.unlink()
            if not has_gone(error):
                raise
            return
        self.arrived[_sha(data)] += 1
        self.arrived[_sha(mine.read_bytes())] -= 1
        mine.unlink()

    def _take_back(self, destination: str) -> None:
        old = self._waiting(destination)
        if old is None:
            return
        back = self.place.aside(destination) / f"back-{self._next()}"
        try:
            old.rename(back)
        except OSError as error:
            if has_gone(error):
                return
            raise
        self.arrived[_sha(back.read_bytes())] -= 1
        back.unlink()

    # help

    def _next(self) -> int:
        self._number += 1
        return self._number

    def _picture(self, *, icc: bytes | None = b"") -> bytes:
        """A small picture that nobody has sent before: smooth, or strong colours."""
        rng = np.random.default_rng(self.rng.randrange(1 << 40))
        height, width = rng.integers(8, 72, 2)
        y, x = np.mgrid[0:height, 0:width] / 40
        waves = [np.sin(rng.normal(0, 3) * x + rng.normal(0, 3) * y + rng.normal()) for _ in "rgb"]
        strength = rng.uniform(0.05, 0.5)
        pixels = np.uint16(65535 * (0.5 + strength * np.stack(waves, axis=-1)))
        pixels[0, 0] = rng.integers(0, 65535, 3)
        icc = self._icc if icc == b"" else icc
        out = io.BytesIO()
        kind = self.rng.choice(("tiff", "tiff", "jpeg", "png"))
        if kind == "tiff":
            compression = self.rng.choice((None, "zlib", "lzw"))
            tifffile.imwrite(
                out, pixels, photometric="rgb", compression=compression, iccprofile=icc,
                metadata=None, resolution=(300, 300), resolutionunit="INCH",
            )  # fmt: skip
        else:
            image = Image.fromarray(np.uint8(pixels >> 8))
            image.save(out, kind.upper(), icc_profile=icc)
        self._last = out.getvalue()
        return self._last

    def _drop(self, destination: str, data: bytes) -> None:
        self._put(self._free(destination), data)
        self.arrived[_sha(data)] += 1

    def _put(self, target: Path, data: bytes) -> None:
        """Bring a file whole to a name that nobody has."""
        mine = self._mine(target.parent, data)
        try:
            rename2(mine, target, NOREPLACE)
        except OSError:
            mine.unlink()
            raise

    def _mine(self, folder: Path, data: bytes) -> Path:
        """A file under a name that copy programs use for what they have not finished."""
        mine = folder / f".arriving-{self._next()}.part"
        _write(mine, data)
        return mine

    def _free(self, destination: str, suffix: str = "") -> Path:
        """A name that nobody has in the hot folder now; few names, so that they come again."""
        suffix = suffix or self.rng.choice((".tif", ".tif", ".tiff", ".jpg", ".png", ".TIF", ""))
        while True:
            folder = self.place.root.path / "in" / destination / self.rng.choice(FOLDERS)
            path = folder / f"{self.rng.choice(NAMES)}{suffix}"
            if not os.path.lexists(path):
                folder.mkdir(parents=True, exist_ok=True)
                return path
            suffix = f"-{self._next()}{suffix[-4:]}"

    def _waiting(self, destination: str) -> Path | None:
        """A file that waits in the hot folder and is not being written."""
        slow = {each.path for each in self._slow}
        found = [
            path
            for path in (self.place.root.path / "in" / destination).iterdir()
            if not path.name.startswith(".") and path.suffix != ".xmp" and path not in slow
            if _is_plain(path)
        ]
        return self.rng.choice(sorted(found)) if found else None


def png_bomb() -> bytes:
    """A PNG of 60,000 by 60,000 pixels by its header, in a few bytes."""
    head = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    chunks = ((b"IHDR", head), (b"IDAT", zlib.compress(bytes(1000))), (b"IEND", b""))
    body = b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in chunks
    )
    return b"\x89PNG\r\n\x1a\n" + body


def _is_plain(path: Path) -> bool:
    with contextlib.suppress(OSError):
        found = path.lstat()
        return stat.S_ISREG(found.st_mode) and found.st_nlink == 1
    return False


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError:
        path.unlink(missing_ok=True)
        raise


def _sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
