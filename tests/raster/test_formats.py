"""JPEG XL, AVIF, HEIC, WebP, JPEG 2000, OpenEXR, PSD: against encoders and other readers."""

from __future__ import annotations

import io
import struct
import sys

import imagecodecs
import numpy as np
import pytest
import pyvips
from PIL import Image, ImageOps

from hotfolder.errors import Hold, Refuse
from hotfolder.model.destination import Reading
from hotfolder.model.encoding import Encoding
from hotfolder.raster.light import encode_light
from hotfolder.raster.reading import ReadLimits, open_original
from raster.other_formats import JXL_HEAD, XMP_UUID, box, exr, jxl, last_box, long_box, psd, saved
from raster.pictures import XMP, picture, profile_bytes

RGB = picture(20, 30, 3, "uint8")
RGBA = picture(20, 30, 4, "uint8")
DEEP = picture(20, 30, 3, "uint16")
GREY = np.ascontiguousarray(RGB[..., 0])
EXIF = Image.Exif()
EXIF[270] = "low water"


def read(data, folder, reading=None, limits=None):
    (folder / "fen").write_bytes(data)
    with open_original(
        folder / "fen",
        name="fen",
        scratch=folder,
        reading=reading or Reading(),
        limits=limits or ReadLimits(),
    ) as opened:
        bands = list(opened.bands(7))
    pixels = np.concatenate([band.pixels for band in bands])
    assert (opened.spec.height_px, opened.spec.width_px, opened.spec.channels) == pixels.shape
    alpha = np.concatenate([band.alpha for band in bands]) if opened.spec.has_alpha else None
    return opened, pixels, alpha


def refusal(data, folder, **options):
    with pytest.raises((Refuse, Hold)) as refused:
        read(data, folder, **options)
    return refused.value.code, refused.value.message


def widen(stored, bits):
    """What 16-bit codes the samples are, rounded by floats."""
    colour = stored[..., np.newaxis] if stored.ndim == 2 else stored[..., :3]
    return np.rint(colour.astype(float) * 65535 / (2**bits - 1)).astype(int)


def heif(stored, mode, **options):
    heic = pytest.importorskip("pillow_heif")
    file = heic.from_bytes(
        mode=mode, size=(stored.shape[1], stored.shape[0]), data=stored.tobytes()
    )
    out = io.BytesIO()
    file.save(out, quality=-1, chroma=444, matrix_coefficients=0, **options)
    return out.getvalue()


LOSSLESS = {
    "jxl 8": ("JPEG XL", 8, RGB, lambda: jxl(RGB)),
    "jxl 16": ("JPEG XL", 16, DEEP, lambda: jxl(DEEP)),
    "jxl 10": ("JPEG XL", 10, DEEP >> 6, lambda: jxl(DEEP >> 6, bitspersample=10)),
    "jxl grey": ("JPEG XL", 8, GREY, lambda: jxl(GREY)),
    "jxl alpha": ("JPEG XL", 8, RGBA, lambda: jxl(RGBA)),
    "avif 8": ("AVIF", 8, RGB, lambda: imagecodecs.avif_encode(RGB, level=100)),
    "avif 10": (
        "AVIF", 10, DEEP >> 6,
        lambda: imagecodecs.avif_encode(DEEP >> 6, level=100, bitspersample=10),
    ),
    "avif 12": (
        "AVIF", 12, DEEP >> 4,
        lambda: imagecodecs.avif_encode(DEEP >> 4, level=100, bitspersample=12),
    ),
    "avif grey": ("AVIF", 8, GREY, lambda: imagecodecs.avif_encode(GREY, level=100)),
    "avif alpha": ("AVIF", 8, RGBA, lambda: imagecodecs.avif_encode(RGBA, level=100)),
    "heic 8": ("HEIC", 8, RGB, lambda: heif(RGB, "RGB")),
    "heic 10": ("HEIC", 10, DEEP >> 6, lambda: heif(DEEP >> 6 << 6, "RGB;16")),
    "webp": ("WebP", 8, RGB, lambda: saved(Image.fromarray(RGB), "WEBP", lossless=True)),
    "webp alpha": (
        "WebP", 8, RGBA, lambda: saved(Image.fromarray(RGBA), "WEBP", lossless=True, exact=True),
    ),
    "jp2 8": ("JPEG 2000", 8, RGB, lambda: saved(Image.fromarray(RGB), "JPEG2000")),
    "jp2 alpha": ("JPEG 2000", 8, RGBA, lambda: saved(Image.fromarray(RGBA), "JPEG2000")),
    "jp2 16": (
        "JPEG 2000", 16, DEEP,
        lambda: imagecodecs.jpeg2k_encode(DEEP, level=0, reversible=True, codecformat="jp2"),
    ),
    "j2k 12": (
        "JPEG 2000", 12, DEEP >> 4,
        lambda: imagecodecs.jpeg2k_encode(
            DEEP >> 4, level=0, reversible=True, codecformat="j2k", bitspersample=12
        ),
    ),
    "psd 8": ("PSD", 8, RGB, lambda: psd(RGB, 3)),
    "psd runs": ("PSD", 16, DEEP, lambda: psd(DEEP, 3, runs=True)),
    "psb runs": ("PSB", 8, RGB, lambda: psd(RGB, 3, runs=True, large=True)),
    "psd grey": ("PSD", 8, GREY, lambda: psd(GREY[..., np.newaxis], 1)),
}  # fmt: skip


@pytest.mark.parametrize("name", LOSSLESS)
def test_what_is_stored_without_loss_comes_out_as_it_was(tmp_path, name):
    kind, bits, stored, write = LOSSLESS[name]
    if kind == "HEIC" and bits == 10:
        stored = np.minimum(stored, 1023)
    opened, pixels, alpha = read(write(), tmp_path)
    assert (opened.format, opened.bits) == (kind, bits)
    assert opened.spec.encoding is (Encoding.GREY if stored.ndim == 2 else Encoding.RGB)
    # decoders round in their own ways when they widen; a code of the file is far more
    assert np.abs(pixels - widen(stored, bits)).max() <= 1
    assert (alpha is not None) == (stored.shape[-1] == 4)
    if alpha is not None:
        assert (alpha == stored[..., 3].astype(int) * 257).all()


@pytest.mark.parametrize("lossy", ["WEBP", "AVIF", "JPEG2000"])
def test_a_lossy_file_is_read_as_pillow_reads_it(tmp_path, lossy):
    options = {"irreversible": True, "quality_layers": [20]} if lossy == "JPEG2000" else {}
    data = saved(Image.fromarray(RGB), lossy, **options)
    _, pixels, _ = read(data, tmp_path)
    assert np.abs(pixels // 257 - np.asarray(Image.open(io.BytesIO(data))).astype(int)).max() <= 1


@pytest.mark.parametrize("how", [".avif[Q=80,subsample_mode=off]", ".webp[Q=80]"])
def test_a_lossy_file_is_read_as_libvips_reads_it(tmp_path, how):
    data = pyvips.Image.new_from_array(RGB).write_to_buffer(how)
    _, pixels, _ = read(data, tmp_path)
    # an AVIF comes through another decoder there, which rounds in its own way
    assert np.abs(pixels / 257 - pyvips.Image.new_from_buffer(data, "").numpy()).max() <= 1


@pytest.mark.parametrize("orientation", range(1, 9))
def test_an_avif_is_turned_as_it_asks(tmp_path, orientation):
    exif = Image.Exif()
    exif[274] = orientation
    data = saved(Image.fromarray(RGB), "AVIF", quality=100, subsampling="4:4:4", exif=exif)
    opened, pixels, _ = read(data, tmp_path)
    upright = ImageOps.exif_transpose(Image.open(io.BytesIO(data)))
    assert (pixels // 257 == np.asarray(upright)).all()
    assert orientation == opened.spec.metadata.orientation


def with_metadata(kind, icc):
    image, block = Image.fromarray(RGB), EXIF.tobytes().removeprefix(b"Exif\0\0")
    if kind == "JPEG XL":
        packed = imagecodecs.brotli_encode(XMP)
        return jxl(RGB, box(b"Exif", bytes(4) + block), box(b"brob", b"xml " + packed))
    if kind == "JPEG 2000":
        data = saved(image, "JPEG2000")
        return (
            data + box(b"uuid", XMP_UUID + XMP) + box(b"uuid", b"JpgTiffExif->JP2" + EXIF.tobytes())
        )
    if kind == "PSD":
        return psd(RGB, 3, resources={1039: icc, 1058: block, 1060: XMP})
    if kind == "HEIC":
        return heif(RGB, "RGB", exif=EXIF.tobytes(), xmp=XMP, icc_profile=icc)
    return saved(image, kind.upper(), icc_profile=icc, exif=EXIF, xmp=XMP)


@pytest.mark.parametrize("kind", ["JPEG XL", "AVIF", "HEIC", "WebP", "JPEG 2000", "PSD"])
def test_profile_and_metadata_come_along(tmp_path, kind):
    icc = profile_bytes("p3")
    spec = read(with_metadata(kind, icc), tmp_path)[0].spec
    assert XMP == spec.metadata.xmp
    assert b"low water" in spec.metadata.exif
    if kind not in {"JPEG XL", "JPEG 2000"}:  # those two encoders take none
        assert icc == spec.profile.data
    assert not spec.profile_problem


def test_the_restricted_profile_of_a_jp2_is_taken(tmp_path):
    data = saved(Image.fromarray(RGB), "JPEG2000")
    at = data.index(b"colr") - 4
    size = int.from_bytes(data[at : at + 4], "big")
    head = data.index(b"jp2h") - 4
    icc = profile_bytes("p3")
    colr = box(b"colr", b"\2\0\0" + icc)
    whole = int.from_bytes(data[head : head + 4], "big") + len(colr) - size
    data = data[:head] + struct.pack(">I", whole) + data[head + 4 : at] + colr + data[at + size :]
    assert icc == read(data, tmp_path)[0].spec.profile.data


def test_a_jxl_says_its_colours_by_code_points_and_gives_a_profile(tmp_path):
    opened, _, _ = read(jxl(RGB), tmp_path)
    assert "sRGB" in opened.spec.profile.description
    assert opened.notes == ()


@pytest.mark.parametrize("boxes", [(), (box(b"xml ", b"<x/>"),)])
def test_a_jxl_of_a_few_bytes_is_read_as_any_other(tmp_path, boxes):
    flat = np.full((20, 30, 3), 128, np.uint8)
    data = jxl(flat, *boxes)
    assert len(data) < 128
    opened, pixels, _ = read(data, tmp_path)
    assert (30, 20) == (opened.spec.width_px, opened.spec.height_px)
    assert 1 == len(np.unique(pixels))


@pytest.mark.parametrize("boxed", [long_box, last_box])
def test_a_box_says_its_length_in_64_bits_or_not_at_all(tmp_path, boxed):
    _, expected, _ = read(jxl(RGB), tmp_path)
    _, pixels, _ = read(JXL_HEAD + boxed(b"jxlc", jxl(RGB)), tmp_path)
    np.testing.assert_array_equal(expected, pixels)
    whole = saved(Image.fromarray(RGB), "JPEG2000")
    at = whole.index(b"jp2c") - 4
    _, expected, _ = read(whole, tmp_path)
    _, pixels, _ = read(whole[:at] + boxed(b"jp2c", whole[at + 8 :]), tmp_path)
    np.testing.assert_array_equal(expected, pixels)


def lossy_jxl_with_a_profile():
    """The first bits of one: 16 x 8 pixels, 8 bits, XYB, with an ICC profile."""
    fields = [
        (1, 1), (0, 5), (1, 3),  # div8, 8 high, as wide
        (0, 1), (0, 1),  # all_default, extra_fields
        (0, 1), (0, 2), (1, 1), (0, 2),  # integers, 8 bits, 16-bit buffers, no extra channels
        (1, 1), (0, 1), (1, 1),  # xyb_encoded, colours: not all_default, want_icc
    ]  # fmt: skip
    number = at = 0
    for value, width in fields:
        number |= value << at
        at += width
    return b"\xff\x0a" + number.to_bytes(64, "little")


def test_a_lossy_jxl_whose_colours_its_decoder_would_cut_is_refused(tmp_path):
    code, said = refusal(lossy_jxl_with_a_profile(), tmp_path)
    assert code == "unsupported"
    assert "those outside sRGB would be lost. Export it lossless" in said


def coded(transfer):
    return imagecodecs.avif_encode(
        DEEP >> 6, level=100, bitspersample=10, primaries=9, transfer=transfer, matrix=0
    )


def light_of(transfer):
    import colour

    signal = (DEEP >> 6) / 1023
    if transfer == 16:
        return colour.models.eotf_ST2084(signal) / 203
    return colour.models.eotf_BT2100_HLG(signal, L_B=0, L_W=1000) / 203


@pytest.mark.parametrize(("transfer", "name"), [(16, "PQ"), (18, "HLG")])
def test_high_dynamic_range_is_held_or_mapped_as_asked(tmp_path, transfer, name):
    import colour

    with pytest.raises(Hold, match=rf"\({name}, cICP 9-{transfer}-0-1\)") as held:
        read(coded(transfer), tmp_path)
    assert [("--set", "reading.above_white=scale"), ("--set", "reading.above_white=cut")] == [
        each.options("reading") for each in held.value.remedies
    ]
    light = light_of(transfer)
    for choice, expected in (("cut", light), ("scale", light / light.max())):
        opened, pixels, _ = read(coded(transfer), tmp_path, Reading(above_white=choice))
        codes = colour.models.eotf_inverse_sRGB(np.clip(expected, 0, 1)) * 65535
        assert np.abs(pixels - codes).max() <= 3
        assert "BT.2020 primaries with the sRGB curve" == opened.spec.profile.description
        assert "white was taken at 203 cd/m²" in opened.notes[-1]


LIGHT = (picture(20, 30, 3, "uint16") / 40000).astype(np.float32)


def test_light_of_an_exr_is_coded_and_what_is_above_white_is_counted(tmp_path):
    opened, pixels, _ = read(exr({"RGB": LIGHT}, tmp_path / "x"), tmp_path)
    assert (pixels == encode_light(LIGHT)).all()
    assert np.isclose(opened.cut_share, np.mean(LIGHT > 1))
    assert opened.cut_share == opened.cut_above
    assert "and were clipped." in opened.notes[0]
    assert ("OpenEXR", 32) == (opened.format, opened.bits)


@pytest.mark.parametrize(("choice", "factor"), [("scale", LIGHT.max()), ("cut", 1.0)])
def test_what_is_above_white_becomes_what_is_asked(tmp_path, choice, factor):
    data = exr({"RGB": LIGHT}, tmp_path / "x")
    opened, pixels, _ = read(data, tmp_path, Reading(above_white=choice))
    assert np.abs(pixels.astype(int) - encode_light(LIGHT / factor)).max() <= 1
    assert (0, 0) == (opened.cut_share, opened.cut_above)
    assert f'reading.above_white = "{choice}"' in opened.notes[0]


@pytest.mark.parametrize("choice", ["hold", "scale", "cut"])
def test_a_tiff_in_floats_obeys_too(tmp_path, choice):
    import tifffile

    tifffile.imwrite(tmp_path / "x.tif", LIGHT, photometric="rgb", metadata=None)
    data = (tmp_path / "x.tif").read_bytes()
    opened, pixels, _ = read(data, tmp_path, Reading(above_white=choice))
    expected = LIGHT / LIGHT.max() if choice == "scale" else np.clip(LIGHT, 0, 1)
    assert np.abs(pixels - expected * 65535).max() <= 1
    assert (opened.cut_above > 0) == (choice == "hold")


def test_half_floats_tiles_alpha_and_primaries_of_an_exr(tmp_path):
    import OpenEXR

    opacity = np.linspace(0.1, 1, 600, dtype=np.float32).reshape(20, 30)
    stored = np.dstack([LIGHT * opacity[..., np.newaxis], opacity])
    numbers = (0.708, 0.292, 0.17, 0.797, 0.131, 0.046, 0.3127, 0.329)
    data = exr(
        {"RGBA": stored}, tmp_path / "x", type=OpenEXR.tiledimage,
        tiles=OpenEXR.TileDescription(), chromaticities=numbers,
    )  # fmt: skip
    opened, pixels, alpha = read(data, tmp_path)
    assert np.abs(pixels.astype(int) - encode_light(LIGHT)).max() <= 1
    assert np.abs(alpha - opacity * 65535).max() <= 1
    half = LIGHT.astype(np.float16)
    opened, pixels, _ = read(exr({"RGB": half}, tmp_path / "x"), tmp_path)
    assert (pixels == encode_light(half.astype(np.float32))).all()
    assert opened.bits == 16


def test_an_exr_without_rgb_is_refused_with_its_layers(tmp_path):
    code, said = refusal(exr({"beauty.R": LIGHT[..., 0]}, tmp_path / "x"), tmp_path)
    assert code == "unsupported"
    assert "It has the layers beauty. Export the picture flat" in said


def parts(folder):
    import OpenEXR

    head = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    both = [
        OpenEXR.Part({**head, "name": name}, {"RGB": light})
        for name, light in (("a", LIGHT), ("b", LIGHT / 2))
    ]
    OpenEXR.File(both).write(str(folder / "x"))
    return (folder / "x").read_bytes()


def pages(folder):
    import tifffile

    with tifffile.TiffWriter(folder / "x.tif") as file:
        for each in (RGB, RGB // 2):
            file.write(each, photometric="rgb", metadata=None)
    return (folder / "x.tif").read_bytes()


def frames(_folder):
    images = [Image.fromarray(each) for each in (RGB, RGB // 2)]
    return saved(images[0], "WEBP", save_all=True, append_images=images[1:], lossless=True)


@pytest.mark.parametrize("write", [parts, pages, frames])
def test_the_picture_that_is_asked_for_is_taken(tmp_path, write):
    data = write(tmp_path)
    first = read(data, tmp_path)
    second = read(data, tmp_path, Reading(page=2))
    assert first[1].mean() > second[1].mean() * 1.2
    assert 2 == first[0].pages == second[0].pages
    assert "The file holds 2 pictures; the first one was taken." in first[0].notes
    said = "The file holds 2 pictures; the one with the number 2 was taken."
    assert said in second[0].notes
    assert said in second[0].harmless
    with pytest.raises(Hold, match=r"The file holds 2 pictures, and number 3 is asked for") as held:
        read(data, tmp_path, Reading(page=3))
    assert ("--set", "reading.page=1") == held.value.remedies[0].options("reading")


def test_a_psd_with_layers_gives_its_flat_picture_and_says_so(tmp_path):
    opened, pixels, alpha = read(psd(RGBA, 3, layers=2), tmp_path)
    assert (pixels == widen(RGBA, 8)).all()
    assert alpha is None
    assert (
        "The file has 1 extra channel (a mask or a spot colour); only the picture itself was taken."
    ) in opened.notes


@pytest.mark.parametrize("in_block", [False, True])
def test_transparency_of_a_psd_is_taken_off_white(tmp_path, in_block):
    opacity = np.clip(RGBA[..., 3:], 100, 255)
    share = opacity / 255
    on_white = np.rint(RGB * share + 255 * (1 - share)).astype(np.uint8)
    data = psd(np.concatenate([on_white, opacity], axis=-1), 3, layers=-2, in_block=in_block)
    _, pixels, alpha = read(data, tmp_path)
    assert np.abs(pixels / 257 - RGB).max() <= 255 / 100 / 2 + 0.5
    assert (alpha == opacity[..., 0].astype(int) * 257).all()


def test_cmyk_of_a_psd_is_turned_over_and_a_palette_looked_up(tmp_path):
    opened, ink, _ = read(psd(255 - RGBA, 4), tmp_path)
    assert opened.spec.encoding is Encoding.CMYK
    assert (ink == RGBA.astype(int) * 257).all()
    palette = np.arange(768, dtype=np.uint8)
    _, pixels, _ = read(psd(GREY[..., np.newaxis], 2, palette=palette.tobytes()), tmp_path)
    assert (pixels == palette.reshape(3, 256).T[GREY].astype(int) * 257).all()
    bits = GREY[..., np.newaxis] > 100
    _, pixels, _ = read(psd(bits, 0), tmp_path)
    assert (pixels == np.where(bits, 0, 65535)).all()


def test_a_psd_without_a_flat_picture_is_refused_with_what_to_do(tmp_path):
    code, said = refusal(psd(RGB, 3, layers=2, has_flat=False), tmp_path)
    assert code == "no-flat-picture"
    assert "Save it there with its flat picture included, or export it as a TIFF" in said


def test_a_heic_without_its_reader_is_refused_with_how_to_install_it(tmp_path, monkeypatch):
    data = heif(RGB, "RGB")
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    code, said = refusal(data, tmp_path)
    assert code == "no-reader"
    assert "`pipx inject hotfolder pillow-heif`. Or export the picture as a TIFF" in said


@pytest.mark.parametrize("name", [name for name in LOSSLESS if not name.startswith("ps")])
def test_what_needs_too_much_memory_is_refused_before_it_is_decoded(tmp_path, name, monkeypatch):
    for codec in ("avif", "webp", "jpeg2k"):
        monkeypatch.delattr(imagecodecs, f"{codec}_decode")
    data = LOSSLESS[name][3]()
    code, said = refusal(data, tmp_path, limits=ReadLimits(max_whole_bytes=len(data) + 900))
    assert code == "too-large"
    assert "half of what a job may have (limits.memory of the destination)" in said


@pytest.mark.parametrize("name", LOSSLESS)
def test_a_cut_file_is_refused(tmp_path, name):
    data = LOSSLESS[name][3]()
    code, said = refusal(data[: len(data) * 2 // 3], tmp_path)
    assert code in {"damaged", "unsupported"}
    assert said.startswith("fen: The file is ")


STRANGE = {
    "a camera's raw file": b"II*\0\x10\0\0\0CR\2\0" + bytes(40),
    "a PDF document": b"%PDF-1.7\n%\xe2\xe3\xcf\xd3",
    "a PostScript document": b"%!PS-Adobe-3.0 EPSF-3.0",
    "an animated or palette picture (GIF)": b"GIF89a" + bytes(20),
    "a drawing (SVG)": b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg"/>',
    "an office document": b"PK\3\4" + bytes(26) + b"[Content_Types].xml",
    "an archive": b"PK\3\4" + bytes(26) + b"reeds.tif",
    "a video": b"\0\0\0\x18ftypmp42\0\0\0\0isommp42",
    "a sound": b"RIFF\0\0\0\0WAVEfmt ",
    "an XMP sidecar": XMP,
    "an ICC profile": profile_bytes("p3")[:200],
    "a web page": b"<!DOCTYPE html><title>reeds</title>",
    "a text": b"Dear all, please find the pictures attached.",
}


@pytest.mark.parametrize("name", STRANGE)
def test_a_stranger_is_named_with_what_to_do(tmp_path, name):
    code, said = refusal(STRANGE[name], tmp_path)
    assert code == "not-a-picture"
    head, _, do = said.partition(", by its content. ")
    assert head == f"fen: The file is {name}"
    assert do.endswith(".")
    assert len(do) > 10
