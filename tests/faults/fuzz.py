"""Mutated pictures through the real reading path and limits, many to a worker.

A worker process reads a batch of inputs, under the limits of a job, and says before each one which
it is: a crash or a hang is that input's, and a new worker goes on behind it. Every input is made
from a seed and its number alone, so that a fault can be made again: ``--seed S --only N``.

    python tests/faults/fuzz.py --count 20000
    python tests/faults/fuzz.py --count 5000 --format jxl
"""

from __future__ import annotations

import argparse
import io
import json
import multiprocessing
import os
import random
import struct
import sys
import tempfile
import time
import zlib
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from PIL import Image, PngImagePlugin

from hotfolder.colour.profile import Profile, ProfileError
from hotfolder.disk import processes
from hotfolder.errors import HotfolderError
from hotfolder.model.destination import Reading
from hotfolder.raster.complete import container_end
from hotfolder.raster.reading import OpenedOriginal, open_original

sys.path.insert(0, str(Path(__file__).parents[1]))
from raster.other_formats import XMP_UUID, box, exr, jxl, psd, saved

MEMORY = 1 * 2**30
LIMIT_S = 20.0
BATCH = 500


def corpus() -> dict[str, bytes]:
    """Small whole files of every kind that is read, with metadata and profiles in them."""
    from hotfolder_demo import write_profiles

    rng = np.random.default_rng(1)
    rgb = rng.integers(0, 65535, (24, 32, 3), dtype=np.uint16)
    xmp = (
        b'<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
        b'<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description '
        b'xmlns:dc="http://purl.org/dc/elements/1.1/"><dc:title>reeds</dc:title></rdf:Description>'
        b"</rdf:RDF></x:xmpmeta>" + b" " * 40 + b'<?xpacket end="w"?>'
    )
    with tempfile.TemporaryDirectory() as folder:
        write_profiles(Path(folder))
        profiles = {each.name: each.read_bytes() for each in Path(folder).glob("*.icc")}
    icc = min(profiles.values(), key=len)
    files: dict[str, bytes] = {f"icc {name}": data for name, data in profiles.items()}
    for compression in (None, "lzw", "zlib", "packbits", "jpeg"):
        for tile in (None, (16, 16)):
            data = np.uint8(rgb >> 8) if compression == "jpeg" else rgb
            out = io.BytesIO()
            tifffile.imwrite(
                out, data, photometric="rgb", compression=compression, tile=tile, iccprofile=icc,
                metadata=None, extratags=[(700, 1, len(xmp), xmp, True)],
            )  # fmt: skip
            files[f"tiff {compression} {tile}"] = out.getvalue()
    out = io.BytesIO()
    tifffile.imwrite(out, rgb, bigtiff=True, byteorder=">", photometric="rgb", metadata=None)
    files["bigtiff"] = out.getvalue()
    small = Image.fromarray(np.uint8(rgb >> 8))
    exif = Image.Exif()
    exif[270], exif[274] = "low water", 6
    for name, image in {
        "rgb": small,
        "grey": small.convert("L"),
        "cmyk": small.convert("CMYK"),
    }.items():
        for progressive in (False, True):
            out = io.BytesIO()
            image.save(out, "JPEG", progressive=progressive, icc_profile=icc, exif=exif, xmp=xmp)
            files[f"jpeg {name} {progressive}"] = out.getvalue()
    info = PngImagePlugin.PngInfo()
    info.add_itxt("XML:com.adobe.xmp", xmp.decode())
    for name, image in {
        "rgb": small,
        "palette": small.convert("P"),
        "bits": small.convert("1"),
    }.items():
        out = io.BytesIO()
        image.save(out, "PNG", icc_profile=icc, exif=exif, pnginfo=info)
        files[f"png {name}"] = out.getvalue()
    return files | _other_formats(rgb, small, icc, exif, xmp)


def _other_formats(
    rgb: np.ndarray, small: Image.Image, icc: bytes, exif: Image.Exif, xmp: bytes
) -> dict[str, bytes]:
    import imagecodecs
    import pillow_heif

    told: dict[str, Any] = {"icc_profile": icc, "exif": exif, "xmp": xmp}
    pillow_heif.register_heif_opener()
    eight, floats = np.asarray(small), np.float32(rgb / 50_000)
    clear = np.dstack([eight, eight[..., 0]])
    block = exif.tobytes().removeprefix(b"Exif\0\0")
    boxes = box(b"Exif", bytes(4) + block), box(b"brob", b"xml " + imagecodecs.brotli_encode(xmp))
    animated = {"save_all": True, "append_images": [small.rotate(90)]}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.exr"
        exrs = {
            "exr lines": exr({"RGB": floats}, path),
            "exr half": exr({"RGBA": np.float16(clear / 255)}, path),
        }
    return exrs | {
        "jxl bare": jxl(eight),
        "jxl boxes": jxl(rgb, *boxes),
        "jxl floats": jxl(floats),
        "avif rgb": saved(small, "AVIF", **told),
        "avif alpha": saved(Image.fromarray(clear), "AVIF", **told),
        "avif pq": imagecodecs.avif_encode(
            rgb >> 6, level=100, bitspersample=10, primaries=9, transfer=16, matrix=0
        ),
        "heic rgb": saved(small, "HEIF", **told),
        "heic alpha": saved(Image.fromarray(clear), "HEIF", **told),
        "webp lossy": saved(small, "WEBP", **told),
        "webp lossless": saved(Image.fromarray(clear), "WEBP", lossless=True),
        "webp frames": saved(small, "WEBP", **animated),
        "jp2 boxes": saved(Image.fromarray(clear), "JPEG2000") + box(b"uuid", XMP_UUID + xmp),
        "jp2 bare": imagecodecs.jpeg2k_encode(rgb, level=0, codecformat="j2k"),
        "psd raw": psd(eight, 3, layers=2, resources={1039: icc, 1058: block, 1060: xmp}),
        "psd runs": psd(clear, 3, runs=True, layers=-1, in_block=True),
        "psb runs": psd(rgb, 3, runs=True, large=True),
        "psd floats": psd(floats, 3),
    }


def mutated(files: dict[str, bytes], seed: int, number: int) -> tuple[str, bytes]:
    """The input with this number: one file of the corpus, damaged in one to eight ways.

    files: the corpus, or those of one format of it.
    """
    rng = random.Random(seed * 1_000_003 + number)
    name = rng.choice(sorted(files))
    data = bytearray(files[name])
    for _ in range(rng.choice((1, 1, 2, 4, 8))):
        _WAYS[rng.randrange(len(_WAYS))](rng, data)
    if name.startswith("png") and rng.random() < 0.5:
        mend_png(data)
    return name, bytes(data)


def _flip(rng: random.Random, data: bytearray) -> None:
    if data:
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def _flip_early(rng: random.Random, data: bytearray) -> None:
    if data:
        data[rng.randrange(min(len(data), 512))] = rng.randrange(256)


def _number(rng: random.Random, data: bytearray) -> None:
    """A number that is absurd in some place."""
    size = rng.choice((2, 4, 8))
    if len(data) > size:
        at = rng.randrange(len(data) - size)
        value = rng.choice((0, 1, 2**31 - 1, 2**31, 2**32 - 1, 2**63, 2**64 - 1)) % 2 ** (8 * size)
        data[at : at + size] = value.to_bytes(size, rng.choice(("little", "big")))


def _cut(rng: random.Random, data: bytearray) -> None:
    del data[rng.randrange(len(data) + 1) :]


def _zeros(rng: random.Random, data: bytearray) -> None:
    at = rng.randrange(len(data) + 1)
    data[at:] = bytes(len(data) - at)


def _double(rng: random.Random, data: bytearray) -> None:
    at = rng.randrange(len(data) + 1)
    piece = data[at : at + rng.randrange(1, 200)]
    data[at:at] = piece * rng.choice((1, 2, 50))


def _remove(rng: random.Random, data: bytearray) -> None:
    at = rng.randrange(len(data) + 1)
    del data[at : at + rng.randrange(1, 64)]


def _xml(rng: random.Random, data: bytearray) -> None:
    """An entity, a nest or a link where the metadata was."""
    at = data.find(b"<rdf:RDF")
    if at >= 0:
        bomb = rng.choice((
            b'<!DOCTYPE a [<!ENTITY b "bbbbbbbb">]><a>&b;</a>',
            b"<a>" * 2000,
            b'<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/hostname">]><a>&b;</a>',
        ))  # fmt: skip
        data[at : at + len(bomb)] = bomb


_WAYS: tuple[Callable[[random.Random, bytearray], None], ...] = (
    _flip, _flip, _flip_early, _flip_early, _number, _number, _cut, _zeros, _double, _remove, _xml,
)  # fmt: skip


def mend_png(data: bytearray) -> None:
    """Make checksums right again, so that what is behind them is reached."""
    at = 8
    while at + 12 <= len(data):
        (size,) = struct.unpack_from(">I", data, at)
        if at + 12 + size > len(data):
            return
        struct.pack_into(">I", data, at + 8 + size, zlib.crc32(data[at + 4 : at + 8 + size]))
        at += 12 + size


def read_one(path: Path, name: str) -> str:
    """Read a picture as a job does, every band and all metadata; how it ended, as one word."""
    try:
        if name.startswith("icc"):
            Profile.load(path)
            return "read"
        container_end(path)
        with open_original(
            path, name=path.name, scratch=path.parent, reading=Reading(above_white="scale")
        ) as opened:
            _read_twice(opened)
    except ProfileError:
        return "refused"
    except HotfolderError as error:
        return type(error).__name__.lower()
    except MemoryError:
        return "memory"
    except Exception as error:  # noqa: BLE001 - a job would call this a failed attempt
        return f"failed: {type(error).__name__}"
    return "read"


def _read_twice(opened: OpenedOriginal) -> None:
    """Read all bands, and rows out of their order between them, which are to be the same."""
    height = opened.spec.height_px
    for band in opened.bands(max(1, height // 3)):
        if opened.gives_any_rows:
            last, same = opened.pieces(
                [range(height - 1, height), range(band.top, band.top + band.rows)]
            )
            assert last.top == height - 1
            assert np.array_equal(same.pixels, band.pixels)
            assert (same.alpha is None) == (band.alpha is None)
            assert band.alpha is None or np.array_equal(same.alpha, band.alpha)


def _work(seed: int, numbers: list[int], place: str, pipe: int, kinds: tuple[str, ...]) -> None:
    # what the parent holds is counted too, and a test process can hold more than the limit
    data_pages = int(Path("/proc/self/statm").read_text().split()[5])
    inherited = data_pages * os.sysconf("SC_PAGE_SIZE")
    processes.limit_process(memory_bytes=MEMORY + inherited, cpu_s=3600, open_files=256)
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    os.dup2(null, 2)
    files = {name: data for name, data in corpus().items() if not kinds or name.split()[0] in kinds}
    path = Path(place) / "original"
    for number in numbers:
        os.write(pipe, f"{number}\n".encode())
        name, data = mutated(files, seed, number)
        path.write_bytes(data)
        said = read_one(path, name)
        os.write(pipe, f"{number} {name.split()[0]} {said}\n".encode())
    os._exit(0)


def fuzz(seed: int, count: int, first: int = 0, kinds: tuple[str, ...] = ()) -> dict[str, object]:
    """Read so many inputs; what came of them, and every fault with its number.

    kinds: first words of names in the corpus; none takes all.
    """
    context = multiprocessing.get_context("fork")
    ends: Counter[str] = Counter()
    faults: list[dict[str, object]] = []
    waiting = list(range(first, first + count))
    slowest = 0.0
    with tempfile.TemporaryDirectory() as place:
        while waiting:
            read, write = os.pipe()
            batch = waiting[:BATCH]
            process = context.Process(target=_work, args=(seed, batch, place, write, kinds))
            process.start()
            os.close(write)
            at, since, hung = None, time.monotonic(), False
            os.set_blocking(read, False)
            rest = b""
            while True:
                try:
                    said = os.read(read, 65536)
                except BlockingIOError:
                    if time.monotonic() - since > LIMIT_S + (300 if at is None else 0):
                        process.kill()
                        hung = True
                    time.sleep(0.005)
                    continue
                if not said:
                    break
                *lines, rest = (rest + said).split(b"\n")
                for line in lines:
                    words = line.decode().split(" ", 2)
                    now = time.monotonic()
                    if len(words) == 1:
                        at, since = int(words[0]), now
                    else:
                        ends[f"{words[1]}: {words[2]}"] += 1
                        slowest = max(slowest, now - since)
                        if words[2].startswith("failed"):
                            faults.append({"number": at, "what": words[2]})
                        waiting.remove(int(words[0]))
                        at = None
            os.close(read)
            process.join()
            if at is not None:
                what = "hang" if hung else f"exit {process.exitcode}"
                faults.append({"number": at, "what": what})
                ends[what] += 1
                waiting.remove(at)
            elif process.exitcode != 0:
                faults.append({"number": None, "what": f"worker ended with {process.exitcode}"})
                break
        strays = sorted(each.name for each in Path(place).iterdir() if each.name != "original")
    return {
        "seed": seed,
        "inputs": count,
        "ends": dict(sorted(ends.items())),
        "slowest_s": round(slowest, 2),
        "faults": faults,
        "strays": strays,
    }


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--only", type=int)
    parser.add_argument("--format", action="append", default=[], help="as jxl, avif, psd")
    asked = parser.parse_args()
    count = 1 if asked.only is not None else asked.count
    found = fuzz(asked.seed, count, asked.only or 0, tuple(asked.format))
    sys.stdout.write(json.dumps(found, indent=1) + "\n")


if __name__ == "__main__":
    main()
