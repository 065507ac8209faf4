"""The demo profiles, read by others: the ICC's reference implementation and LittleCMS."""

import hashlib
import io
import struct
from importlib import resources
from pathlib import Path

import iccdev
import imagecodecs
import numpy as np
import pytest
from PIL import ImageCms

import colour
from hotfolder.colour.icc_encode import D50_XYZ, codes_to_lab, lab_to_codes
from hotfolder_demo import profiles
from hotfolder_demo.printer import Printer, lab_to_xyz, read_recipe, xyz_to_lab
from hotfolder_demo.rendering import REFERENCE_BLACK_LIGHTNESS, Rendering

pytestmark = pytest.mark.slow

RECIPES = Path(str(resources.files("hotfolder_defaults"))) / "profiles"
LAB = imagecodecs.cms_profile("lab4")
EXACT = 0x100
"""LittleCMS's flag: no grid in place of the chain of profiles."""


class Built:
    """A printer, its profile, and LittleCMS's answers from it."""

    def __init__(self, name, version):
        self.name, self.version = name, version
        self.printer = Printer(read_recipe(RECIPES / f"{name}.toml"))
        self.profile = profiles.build_profile(self.printer.recipe, version)
        self.space = "rgb" if self.printer.channels == 3 else "cmyk"

    def to_lab(self, codes, intent):
        answer = imagecodecs.cms_transform(
            codes[None], self.profile, LAB, colorspace=self.space, outcolorspace="lab",
            intent=intent, flags=EXACT,
        )  # fmt: skip
        return codes_to_lab(answer[0] / 65535, "4.4")

    def from_lab(self, lab, intent):
        """Device codes for colours, and the colours as 16 bits have them."""
        codes = np.rint(lab_to_codes(lab, "4.4") * 65535).astype(np.uint16)
        answer = imagecodecs.cms_transform(
            codes[None], LAB, self.profile, colorspace="lab", outcolorspace=self.space,
            intent=intent, flags=EXACT,
        )  # fmt: skip
        return answer[0], codes_to_lab(codes / 65535, "4.4")


@pytest.fixture(
    scope="module",
    params=[
        ("matte-canvas", "4.4"),
        ("matte-canvas", "2.4"),
        ("coated-book", "2.4"),
        ("coated-book", "4.4"),
    ],
    ids="-".join,
)
def built(request):
    return Built(*request.param)


@pytest.fixture
def rng():
    return np.random.default_rng(24)


def delta_e_00(lab_1, lab_2):
    return colour.delta_E(lab_1, lab_2, method="CIE 2000")


def random_device(built, rng, number=20_000):
    codes = rng.integers(0, 65536, (number, built.printer.channels), dtype=np.uint16)
    if built.space == "cmyk":
        codes = codes[codes.sum(axis=1) <= 3 * 65535]
    return codes


def random_lab(rng, number=40_000):
    return rng.random((number, 3)) * [100, 200, 200] - [0, 100, 100]


def tags_of(profile):
    count = struct.unpack_from(">I", profile, 128)[0]
    entries = (struct.unpack_from(">4sII", profile, 132 + 12 * index) for index in range(count))
    return {name.decode(): profile[offset : offset + size] for name, offset, size in entries}


def test_the_reference_validator_finds_nothing(built):
    result = iccdev.validate_profile(built.profile)
    assert iccdev.ValidationStatus.OK == result.status, result.report


@pytest.mark.parametrize(
    "make",
    [
        profiles.srgb,
        profiles.display_p3,
        profiles.adobe_rgb_compatible,
        profiles.grey_gamma22,
    ],
)
def test_the_reference_validator_finds_nothing_in_plain_profiles(make):
    result = iccdev.validate_profile(make())
    assert iccdev.ValidationStatus.OK == result.status, result.report


def test_the_reference_validator_does_look(built):
    damaged = built.profile[: len(built.profile) // 2]
    assert iccdev.ValidationStatus.OK != iccdev.validate_profile(damaged).status


def test_has_every_table_of_a_printer_profile(built):
    tags = tags_of(built.profile)
    kinds = {"2.4": (b"mft2", b"mft2"), "4.4": (b"mAB ", b"mBA ")}[built.version]
    assert dict.fromkeys(["A2B0", "A2B1", "A2B2"], kinds[0]) == {
        name: tags[name][:4] for name in ("A2B0", "A2B1", "A2B2")
    }
    assert dict.fromkeys(["B2A0", "B2A1", "B2A2", "gamt"], kinds[1]) == {
        name: tags[name][:4] for name in ("B2A0", "B2A1", "B2A2", "gamt")
    }
    assert tags["B2A0"] != tags["B2A1"]


def test_pillow_reads_the_description(built):
    opened = ImageCms.ImageCmsProfile(io.BytesIO(built.profile))
    assert f"{built.printer.recipe.description} (demo)" == opened.profile.profile_description
    assert "Nobody reserves any rights" in opened.profile.copyright
    assert float(built.version) == pytest.approx(opened.profile.version)


def test_the_white_point_tag_is_the_mediums_white(built):
    stored = np.frombuffer(tags_of(built.profile)["wtpt"][8:20], ">i4") / 65536
    np.testing.assert_allclose(stored, built.printer.white_xyz, atol=1 / 65536)


def test_device_to_colour_agrees_with_the_closed_form(built, rng):
    # Exact but for rounding where the tables interpolate as the model mixes (RGB); in CMYK the
    # product of ink and black is curved between grid points.
    mean, greatest = {"rgb": (0.005, 0.02), "cmyk": (0.1, 1.2)}[built.space]
    codes = random_device(built, rng)
    error = delta_e_00(built.printer.device_to_lab(codes / 65535), built.to_lab(codes, 1))
    assert error.mean() < mean
    assert error.max() < greatest


def test_colour_to_device_agrees_with_the_closed_form_inside_the_gamut(built, rng):
    mean, percentile_99, greatest = {"rgb": (0.2, 0.9, 1.6), "cmyk": (0.4, 2.1, 3.2)}[built.space]
    lab = built.printer.device_to_lab(random_device(built, rng) / 65535)
    device, asked = built.from_lab(lab, 1)
    error = delta_e_00(asked, built.printer.device_to_lab(device / 65535))
    assert error.mean() < mean
    assert np.percentile(error, 99) < percentile_99
    assert error.max() < greatest


def test_colour_to_device_is_the_nearest_colour_outside_the_gamut(built, rng):
    device, asked = built.from_lab(random_lab(rng), 1)
    printer = built.printer
    error = delta_e_00(printer.solid.nearest(asked), printer.device_to_lab(device / 65535))
    outside = ~printer.in_gamut(asked)
    assert error[outside].mean() < 0.25
    assert error[outside].max() < 3.5


def test_perceptual_agrees_with_the_rendering(built, rng):
    black = REFERENCE_BLACK_LIGHTNESS[built.version]
    rendering = Rendering(built.printer.solid, black)
    lab = random_lab(rng)
    device, asked = built.from_lab(lab, 0)
    # LittleCMS scales from the black of the Lab profile, L* 0, to that of a version 4 table.
    black_y = lab_to_xyz([[black, 0, 0]])[0, 1]
    asked = xyz_to_lab(lab_to_xyz(asked) * (1 - black_y) + black_y * np.array(D50_XYZ))
    error = delta_e_00(rendering.to_medium(asked), built.printer.device_to_lab(device / 65535))
    assert error.mean() < 0.2
    assert np.percentile(error, 99) < 1.0


def test_perceptual_differs_from_colorimetric(built, rng):
    lab = random_lab(rng, 2000)
    perceptual, colorimetric = built.from_lab(lab, 0)[0], built.from_lab(lab, 1)[0]
    printer = built.printer
    difference = delta_e_00(
        printer.device_to_lab(perceptual / 65535), printer.device_to_lab(colorimetric / 65535)
    )
    assert difference.mean() > 2


def test_paper_white_needs_no_ink(built):
    expected = 65535 if built.space == "rgb" else 0
    for intent in (0, 1, 2):
        device, _ = built.from_lab(np.array([[100.0, 0, 0]]), intent)
        np.testing.assert_array_equal(device, expected)


def test_absolute_white_is_the_mediums_white(built):
    white = np.full((1, built.printer.channels), 65535 if built.space == "rgb" else 0, np.uint16)
    expected = [built.printer.recipe.white]
    np.testing.assert_allclose(built.to_lab(white, 3), expected, atol=0.02)


@pytest.mark.parametrize(
    "built", [("coated-book", "2.4"), ("coated-book", "4.4")], ids="-".join, indirect=True
)
@pytest.mark.parametrize("intent", [0, 1, 2, 3])
def test_no_table_puts_more_ink_than_the_limit(built, rng, intent):
    lab = np.concatenate([random_lab(rng), random_lab(rng) * [0.3, 0.3, 0.3]])
    device, _ = built.from_lab(lab, intent)
    total = device.astype(np.int64).sum(axis=1)
    assert total.max() <= 3 * 65535 + 4  # each of four channels may be rounded up
    assert total.max() > 2.8 * 65535


def test_the_gamut_tag_knows_the_surface(built, rng, tmp_path):
    """Evaluated by the ICC's reference implementation, since LittleCMS ignores the tag."""
    path = tmp_path / "printer.icc"
    path.write_bytes(built.profile)
    lab = random_lab(rng, 20_000)
    codes = lab_to_codes(lab, "4.4").astype(np.float32)
    with iccdev.IccCmm(iccdev.ColorSpace.Lab, first_is_input=False) as cmm:
        cmm.attach(
            str(path),
            intent=iccdev.Intent.RelativeColorimetric,
            lut_type=iccdev.LutType.Gamut,
        )
        cmm.begin()
        marked = np.asarray(cmm.apply_ndarray(codes))[:, 0] > 0
    distance = built.printer.signed_distance(lab)
    assert (~marked[distance < -1.0]).mean() > 0.995
    assert marked[distance > 1.0].mean() > 0.995
    assert (distance < -1.0).sum() > 500


def test_iccdev_and_littlecms_answer_alike(built, rng, tmp_path):
    path = tmp_path / "printer.icc"
    path.write_bytes(built.profile)
    codes = random_device(built, rng, 3000)
    with iccdev.IccCmm() as cmm:
        cmm.attach(
            str(path),
            intent=iccdev.Intent.RelativeColorimetric,
            interp=iccdev.Interpolation.Tetrahedral,
        )
        cmm.begin()
        answer = np.asarray(cmm.apply_ndarray((codes / 65535).astype(np.float32)))
    error = delta_e_00(codes_to_lab(answer, "4.4"), built.to_lab(codes, 1))
    # Four dimensions are cut into simplices in more than one way; three only in one.
    assert error.max() < (0.02 if built.space == "rgb" else 1.5)


def test_version_4_carries_its_md5(built):
    blanked = bytearray(built.profile)
    blanked[44:48] = blanked[64:68] = bytes(4)
    blanked[84:100] = bytes(16)
    digest = hashlib.md5(blanked).digest()
    assert (digest if built.version == "4.4" else bytes(16)) == built.profile[84:100]


def test_the_same_recipe_makes_the_same_bytes(built):
    assert built.profile == profiles.build_profile(built.printer.recipe, built.version)


def test_writes_the_set_of_a_new_root(tmp_path):
    written = profiles.write_profiles(tmp_path / "profiles")
    assert ["matte-canvas.icc", "coated-book.icc", "srgb.icc"] == [path.name for path in written]
    versions = {path.name: path.read_bytes()[8] for path in written}
    assert {"matte-canvas.icc": 4, "coated-book.icc": 2, "srgb.icc": 4} == versions


D50_COLUMNS = {
    # IEC 61966-2-1, SMPTE EG 432-1, Adobe RGB (1998) 2005-05 primaries, Bradford, five decimals
    "srgb": [[0.43604, 0.38511, 0.14305], [0.22248, 0.71691, 0.06061], [0.01392, 0.09707, 0.71391]],
    "display_p3": [
        [0.51512, 0.29198, 0.1571], [0.24119, 0.69224, 0.06657], [-0.00105, 0.04188, 0.78407],
    ],
    "adobe_rgb_compatible": [
        [0.60974, 0.20527, 0.14919], [0.31111, 0.62568, 0.06321], [0.01947, 0.06087, 0.74456],
    ],
}  # fmt: skip


@pytest.mark.parametrize("name", D50_COLUMNS)
def test_primaries_are_those_of_the_standard(name):
    tags = tags_of(getattr(profiles, name)())
    columns = [np.frombuffer(tags[tag][8:20], ">i4") / 65536 for tag in ("rXYZ", "gXYZ", "bXYZ")]
    np.testing.assert_allclose(np.stack(columns, axis=1), D50_COLUMNS[name], atol=3e-4)


@pytest.mark.parametrize("name", D50_COLUMNS)
def test_primaries_sum_to_the_white_of_profiles_exactly(name):
    tags = tags_of(getattr(profiles, name)())
    columns = [np.frombuffer(tags[tag][8:20], ">i4") for tag in ("rXYZ", "gXYZ", "bXYZ")]
    np.testing.assert_array_equal(np.sum(columns, axis=0), [0xF6D6, 0x10000, 0xD32D])


@pytest.mark.parametrize(
    ("srgb", "wide"),
    [
        # Computed from the primaries of both specifications, Bradford; rounded to 8 bits
        ((255, 0, 0), (219, 0, 0)),
        ((0, 255, 0), (144, 255, 60)),
        ((0, 255, 255), (144, 255, 255)),
        ((255, 255, 0), (255, 255, 60)),
        ((119, 119, 119), (118, 118, 118)),
        ((194, 150, 130), (181, 149, 130)),
    ],
)
def test_srgb_becomes_the_published_wide_rgb(srgb, wide):
    pixel = np.array([[srgb]], dtype=np.uint16) * 257
    answer = imagecodecs.cms_transform(
        pixel, profiles.srgb(), profiles.adobe_rgb_compatible(), colorspace="rgb",
        outcolorspace="rgb", intent=1, flags=EXACT,
    )  # fmt: skip
    # Gamma 2.2 is infinitely steep at 0: there three codes of 255 are a rounding of the matrix.
    tolerance = np.where(np.array(wide) == 0, 3, 1)
    assert (np.abs(answer[0, 0] / 257 - wide) <= tolerance).all()


def test_grey_has_gamma_2_2():
    grey = np.array([[[16384], [32768], [49152]]], dtype=np.uint16)
    answer = imagecodecs.cms_transform(
        grey, profiles.grey_gamma22(), LAB, colorspace="gray", outcolorspace="lab", intent=1,
        flags=EXACT,
    )  # fmt: skip
    lightness = 116 * np.cbrt((grey[0] / 65535) ** 2.2) - 16
    expected = lightness * [[1, 0, 0]]
    np.testing.assert_allclose(
        codes_to_lab(answer[0].reshape(-1, 3) / 65535, "4.4"), expected, atol=0.02
    )
