"""The demo's drops: what they are, told by readers that did not write them."""

import io

import numpy as np
import pytest
import pyvips
import tifffile
from PIL import Image, ImageCms

import colour
from hotfolder_demo import profiles, scenes
from hotfolder_demo.chart import PATCHES_LAB, chart, patch_centres_px
from hotfolder_demo.printer import xyz_to_lab
from second_readers import exiv2_image, exiv2_tags

LONG_EDGE_PX = 240


@pytest.fixture(scope="module")
def drops(tmp_path_factory):
    folder = tmp_path_factory.mktemp("in")
    return folder, scenes.write_scenes(folder, LONG_EDGE_PX)


def test_every_destination_gets_its_drops(drops):
    folder, written = drops
    assert {"fine-art-canvas", "book-pages", "web-gallery"} == set(written)
    for destination, files in written.items():
        assert sorted(files) == sorted((folder / destination).iterdir())


def test_the_same_pictures_come_out_every_time(drops, tmp_path):
    _, written = drops
    again = scenes.write_scenes(tmp_path, LONG_EDGE_PX)
    assert {
        (name, path.name): path.read_bytes() for name, files in written.items() for path in files
    } == {(name, path.name): path.read_bytes() for name, files in again.items() for path in files}


def profile_description(image):
    """What LittleCMS calls the profile that libvips finds in a file; None without one."""
    if "icc-profile-data" not in image.get_fields():
        return None
    profile = ImageCms.ImageCmsProfile(io.BytesIO(image.get("icc-profile-data")))
    return profile.profile.profile_description


@pytest.mark.parametrize(
    ("name", "kind", "mode", "bits", "profile"),
    [
        ("fine-art-canvas/dawn over the flats.tif", "TIFF", "RGB", 16, "Wide RGB, gamma 563/256"),
        ("fine-art-canvas/reeds and buoys.tif", "TIFF", "RGB", 16, "Wide RGB, gamma 563/256"),
        ("fine-art-canvas/scan without profile.png", "PNG", "RGB", 8, None),
        ("book-pages/moorings.png", "PNG", "RGB", 8, "sRGB"),
        ("book-pages/vessels, upright by tag.jpg", "JPEG", "RGB", 8, "sRGB"),
        ("book-pages/ripples.tif", "TIFF", "grey", 16, "Grey, gamma 2.2"),
        ("book-pages/24-patch chart.tif", "TIFF", "RGB", 16, "Wide RGB, gamma 563/256"),
        ("web-gallery/moorings.jpg", "JPEG", "RGB", 8, "sRGB"),
    ],
)
def test_kind_bits_and_profile(drops, name, kind, mode, bits, profile):
    folder, _ = drops
    assert f"image/{kind.lower()}" == exiv2_image(folder / name).mimeType()
    image = pyvips.Image.new_from_file(str(folder / name))
    assert {8: "uchar", 16: "ushort"}[bits] == image.format
    assert profile == profile_description(image)
    if kind == "TIFF":
        shape = tifffile.imread(folder / name).shape
        assert ("RGB" if len(shape) == 3 else "grey") == mode
    else:
        with Image.open(folder / name) as image:
            assert mode == image.mode


def test_the_jpeg_tells_its_caption_and_a_place_in_the_sea(drops):
    folder, _ = drops
    told = exiv2_tags(folder / "web-gallery/moorings.jpg")
    assert "Boats at their moorings, high water" == told["Exif.Image.ImageDescription"]
    assert [0, 0, 0] == told["Exif.GPSInfo.GPSLatitude"] == told["Exif.GPSInfo.GPSLongitude"]


def test_the_picture_on_its_side_is_upright_by_its_tag(drops):
    folder, _ = drops
    path = folder / "book-pages/vessels, upright by tag.jpg"
    assert 6 == exiv2_tags(path)["Exif.Image.Orientation"]
    with Image.open(path) as image:
        assert image.height > image.width
        upright = np.asarray(image.rotate(-90, expand=True), dtype=float)
    rows = upright.shape[0]
    # The sky is at the top: bluer than the sand at the bottom.
    blueness = upright[..., 2] - upright[..., 0]
    assert blueness[: rows // 8].mean() > blueness[-rows // 8 :].mean() + 10


def test_the_text_is_no_picture_and_the_cut_file_does_not_decode(drops):
    folder, _ = drops
    with pytest.raises(OSError, match="cannot identify"):
        Image.open(folder / "book-pages/page notes.tif")
    with (
        Image.open(folder / "web-gallery/dawn, cut off.jpg") as image,
        pytest.raises(OSError, match="truncated"),
    ):
        image.load()


def test_reeds_and_buoys_exceed_srgb(drops):
    folder, _ = drops
    codes = tifffile.imread(folder / "fine-art-canvas/reeds and buoys.tif")
    light = (codes.reshape(-1, 3) / 65535) ** profiles.WIDE_GAMMA
    wide = profiles.linear_rgb_to_pcs(profiles.WIDE_PRIMARIES)
    srgb = np.linalg.solve(profiles.linear_rgb_to_pcs(profiles.SRGB_PRIMARIES), wide)
    assert ((light @ srgb.T).min(axis=1) < -0.003).mean() > 0.05


def test_ripples_span_the_tones_without_clipping(drops):
    folder, _ = drops
    codes = tifffile.imread(folder / "book-pages/ripples.tif")
    assert np.percentile(codes, 1) < 0.25 * 65535
    assert np.percentile(codes, 99) > 0.9 * 65535
    assert (codes == 0).mean() < 0.01
    assert (codes == 65535).mean() < 0.05


def test_the_patches_are_those_of_colour_science():
    chart_24 = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyz = colour.xyY_to_XYZ(np.array(list(chart_24.data.values())))
    expected = colour.XYZ_to_Lab(xyz, chart_24.illuminant)
    np.testing.assert_allclose(PATCHES_LAB, expected, atol=0.006)


def test_the_chart_file_has_the_published_colours(drops):
    folder, _ = drops
    codes = tifffile.imread(folder / "book-pages/24-patch chart.tif")
    height, width = codes.shape[:2]
    patches = np.array([codes[place] for place in patch_centres_px(width, height)])
    light = (patches / 65535) ** profiles.WIDE_GAMMA
    xyz = light @ profiles.linear_rgb_to_pcs(profiles.WIDE_PRIMARIES).T
    np.testing.assert_allclose(xyz_to_lab(xyz), PATCHES_LAB, atol=0.02)


def test_every_patch_is_in_the_chart_and_flat():
    indices = chart(300, 200)
    assert set(range(26)) == set(np.unique(indices).tolist())
    centres = patch_centres_px(300, 200)
    assert list(range(24)) == [int(indices[place]) for place in centres]


@pytest.mark.parametrize(
    "name", ["fine-art-canvas/dawn over the flats.tif", "fine-art-canvas/reeds and buoys.tif"]
)
def test_little_of_a_wide_picture_stands_at_a_limit(drops, name):
    folder, _ = drops
    codes = tifffile.imread(folder / name)
    assert ((codes == 0) | (codes == 65535)).any(axis=-1).mean() < 0.03
