"""Several results on one roll: each piece's pixels are its own file's, and marks touch none."""

from __future__ import annotations

import json

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from hotfolder.cli.main import app
from hotfolder.colour.encodings import white
from hotfolder.colour.profile import Profile
from hotfolder.disk import durable
from hotfolder.errors import Refuse, SettingsError
from hotfolder.model.destination import Medium, Result
from hotfolder.model.encoding import Encoding
from hotfolder.raster.picture import RasterSpec
from hotfolder.raster.reading import open_original
from hotfolder.raster.writing import open_result
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root
from hotfolder.settings.tables import DestinationFile, Intake
from hotfolder.testing import srgb
from hotfolder.work.nest import lay_pieces, read_pieces
from hotfolder.work.nest_book import LOG, describe, find_jobs, write_nest
from hotfolder_demo import profiles
from raster.pictures import bands_of, profile_bytes

CHANNELS = {Encoding.RGB: 3, Encoding.CMYK: 4}
PPI = 254.0
"""Ten pixels a millimetre."""
CMYK = Profile.parse(profile_bytes("cmyk"))


def deliver(folder, name, size, *, encoding=Encoding.RGB, bits=16, ppi=PPI, profile=None, seed=0):
    width, height = size
    chance = np.random.default_rng(width * 1000 + height + seed)
    pixels = chance.integers(0, 65536, (height, width, CHANNELS[encoding]), np.uint16)
    if bits == 8:
        pixels = pixels // 257 * 257
    profile = profile or (CMYK if encoding is Encoding.CMYK else srgb())
    spec = RasterSpec(width, height, encoding, profile, ppi=ppi)
    path = folder / name
    with open_result(path, spec, Result(bits=bits)) as writer:
        writer.write(iter(bands_of(pixels, 50)))
    return path, pixels


def destination(**medium):
    said = {"profile": "x.icc", "surface": "canvas", "viewing_distance": "1 m", **medium}
    file = DestinationFile(stages=("tagging",), medium=Medium.model_validate(said))
    return Destination("wall", file, {}, {}, srgb(), Intake())


def nest_of(paths, width_mm=60.0, gap_mm=2.0, edge_mm=1.0):
    return lay_pieces(read_pieces(paths), width_mm, gap_mm, edge_mm)


def write(tmp_path, nest, made_as="tiff", where=None):
    scratch = tmp_path / "scratch"
    scratch.mkdir(exist_ok=True)
    jobs = [None] * len(nest.laid)
    place = where or destination()
    return write_nest(Root(tmp_path), place, nest, jobs, made_as, scratch, lambda *_: None)


def read(path, tmp_path):
    with open_original(path, name="x", scratch=tmp_path) as opened:
        return opened, np.concatenate([each.pixels for each in opened.bands()])


@pytest.mark.parametrize(
    ("encoding", "bits"), [(Encoding.RGB, 16), (Encoding.RGB, 8), (Encoding.CMYK, 8)]
)
def test_each_piece_is_on_the_sheet_bit_for_bit_and_the_rest_is_paper_and_marks(
    tmp_path, encoding, bits
):
    sizes = [(300, 150), (150, 420), (250, 250), (130, 560), (90, 60)]
    made = [
        deliver(tmp_path, f"{number}.tif", size, encoding=encoding, bits=bits)
        for number, size in enumerate(sizes)
    ]
    nest = nest_of([path for path, _ in made])
    assert any(each.is_turned for each in nest.laid)
    record = write(tmp_path, nest)
    opened, sheet = read(tmp_path / record.sheet, tmp_path)
    assert bits == opened.bits
    assert (600, nest.length_px) == (opened.spec.width_px, opened.spec.height_px)
    assert PPI == pytest.approx(opened.spec.ppi)
    rest = np.ones(sheet.shape[:2], bool)
    for each, (_, pixels) in zip(nest.laid, made, strict=True):
        rows = slice(each.top_px, each.top_px + each.height_px)
        columns = slice(each.left_px, each.left_px + each.width_px)
        expected = np.rot90(pixels, -1) if each.is_turned else pixels
        assert (expected == sheet[rows, columns]).all()
        assert rest[rows, columns].all()  # no other piece has been there
        rest[rows, columns] = False
    marks = rest & (sheet != white(encoding)).any(axis=2)
    black = (0, 0, 0, 65535) if encoding is Encoding.CMYK else (0, 0, 0)
    assert (sheet[marks] == black).all()
    for each in nest.laid:  # above each upper left corner, and beside it
        assert marks[each.top_px - 1, each.left_px - 1]
        assert marks[each.top_px - nest.edge_px // 2, each.left_px - 1]
        assert not marks[each.top_px, each.left_px - 1 - nest.edge_px // 2]


def test_a_nest_is_recorded_and_the_pieces_stay(tmp_path):
    made = [deliver(tmp_path, f"{each}.tif", (200, 100), seed=each)[0] for each in range(3)]
    nest = nest_of(made)
    where = destination(cost_per_square_metre="100 EUR")
    record = write(tmp_path, nest, where=where)
    (line,) = (tmp_path / "nests" / "wall" / LOG).read_text().splitlines()
    said = json.loads(line)
    assert [each.name for each in made] == [each["path"] for each in said["pieces"]]
    assert durable.sha256_of(tmp_path / record.sheet).sha256 == said["sha256"]
    assert all(
        durable.sha256_of(tmp_path / each["path"]).sha256 == each["sha256"]
        for each in said["pieces"]
    )
    # two of 20 × 10 mm beside each other, the third turned or below: 36 mm alone, gaps and edges
    assert (60.0, 36.0) == (said["width_mm"], said["alone_mm"])
    saved_mm = said["alone_mm"] - said["length_mm"]
    assert pytest.approx(saved_mm * 60 / 1e6 * 100, abs=0.006) == said["saved"]["amount"]
    assert "Saved: " in " ".join(describe(nest, where, record.saved))
    with Image.open(tmp_path / record.guide) as guide:
        assert guide.size[0] > 800
    assert [] == list((tmp_path / "scratch").iterdir())


def test_a_second_nest_of_the_day_has_a_name_of_its_own(tmp_path):
    nest = nest_of([deliver(tmp_path, "a.tif", (200, 100))[0]])
    one, two = write(tmp_path, nest), write(tmp_path, nest)
    assert one.sheet != two.sheet
    assert 2 == len((tmp_path / "nests" / "wall" / LOG).read_text().splitlines())


def test_a_nest_as_a_page_has_the_same_pixels(tmp_path):
    pypdf = pytest.importorskip("pypdf")
    made = [
        deliver(tmp_path, f"{each}.tif", (200 + each, 90), encoding=Encoding.CMYK, bits=8)[0]
        for each in range(3)
    ]
    nest = nest_of(made)
    _, sheet = read(tmp_path / write(tmp_path, nest).sheet, tmp_path)
    page = pypdf.PdfReader(tmp_path / write(tmp_path, nest, "pdf").sheet).pages[0]
    (image,) = page["/Resources"]["/XObject"].values()
    found = np.frombuffer(image.get_object().get_data(), np.uint8).reshape(sheet.shape)
    assert (sheet == found.astype(np.uint16) * 257).all()


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"ppi": 300.0}, "300"),
        ({"bits": 8}, "8 bits"),
        ({"profile": Profile.parse(profiles.display_p3())}, "profile"),
        ({"encoding": Encoding.CMYK}, "profile"),
    ],
)
def test_pieces_that_do_not_belong_on_one_sheet_are_refused_in_a_sentence(tmp_path, more, said):
    first, _ = deliver(tmp_path, "low-tide.tif", (40, 30))
    other, _ = deliver(tmp_path, "reeds.tif", (40, 30), **more)
    with pytest.raises(Refuse) as refused:
        read_pieces([first, other])
    assert "nest-differs" == refused.value.code
    for word in ("low-tide.tif", "reeds.tif", said, "Nest them apart"):
        assert word in refused.value.message


def test_a_piece_without_a_resolution_is_refused(tmp_path):
    path, _ = deliver(tmp_path, "x.tif", (40, 30), ppi=0.0)
    with pytest.raises(Refuse, match="pixels an inch"):
        read_pieces([path])


def test_a_piece_that_is_wider_than_the_roll_is_named(tmp_path):
    small, _ = deliver(tmp_path, "small.tif", (40, 30))
    wide, _ = deliver(tmp_path, "wide.tif", (700, 650))
    with pytest.raises(Refuse, match=r"wide\.tif is 65 mm"):
        nest_of([small, wide])


def test_a_piece_that_changed_while_it_was_nested_leaves_no_sheet(tmp_path):
    path, _ = deliver(tmp_path, "a.tif", (200, 100))
    nest = nest_of([path])
    deliver(tmp_path, "a.tif", (200, 100), seed=1)
    with pytest.raises(Refuse, match="changed"):
        write(tmp_path, nest)
    left = [each.name for each in (tmp_path / "nests" / "wall").iterdir()]
    assert [] == [each for each in left if not each.startswith(".hotfolder-nests")]


def test_files_of_no_record_have_no_job(tmp_path):
    pieces = read_pieces([deliver(tmp_path, "a.tif", (40, 30))[0]])
    assert [None] == find_jobs(Root(tmp_path), destination(), pieces)


def test_cuts_across_the_roll_go_through_no_piece(tmp_path):
    made = [deliver(tmp_path, f"{each}.tif", (550, 200 + each))[0] for each in range(3)]
    nest = nest_of(made)
    assert 2 == len(nest.cuts_px)
    for cut in nest.cuts_px:
        assert not any(each.top_px <= cut < each.top_px + each.height_px for each in nest.laid)


def test_pieces_of_another_profile_than_the_destinations_are_refused(tmp_path):
    path, _ = deliver(tmp_path, "a.tif", (40, 30), encoding=Encoding.CMYK)
    with pytest.raises(Refuse, match=r"a\.tif is in the values of .* and wall prints with"):
        find_jobs(Root(tmp_path), destination(), read_pieces([path]))


def test_the_command_nests_a_folder_and_says_what_it_saves(root):
    profile = Profile.load(root.profiles / "matte-canvas.icc")
    folder = root.path / "out" / "fine-art-canvas"
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(3):
        deliver(folder, f"{number}.tif", (200, 100), profile=profile, seed=number)
    asked = ["nest", str(root.path), str(folder), "--for", "fine-art-canvas"]
    done = CliRunner().invoke(app, [*asked, "--width", "6 cm", "--dry-run", "--json"])
    assert 0 == done.exit_code, done.output
    said = json.loads(done.stdout)
    assert said["length_mm"] <= said["alone_mm"]
    assert not root.nests.exists()
    done = CliRunner().invoke(app, [*asked, "--width", "6 cm"])
    assert 0 == done.exit_code, done.output
    assert "3 of them are in no record" in done.stdout
    assert (root.nests / "fine-art-canvas" / LOG).is_file()
    with pytest.raises(SettingsError, match="roll_width"):
        CliRunner().invoke(app, asked, catch_exceptions=False)


def test_a_picture_that_is_not_there_is_named(root, tmp_path):
    missing = tmp_path / "no.tif"
    asked = ["nest", str(root.path), str(missing), "--for", "fine-art-canvas", "--width", "6 cm"]
    with pytest.raises(SettingsError, match="No such file or directory") as caught:
        CliRunner().invoke(app, asked, catch_exceptions=False)
    assert str(missing) in str(caught.value)


def test_a_folder_in_which_no_picture_is_is_named(root, tmp_path):
    asked = ["nest", str(root.path), str(tmp_path), "--for", "fine-art-canvas", "--width", "6 cm"]
    with pytest.raises(SettingsError, match="no picture is there") as caught:
        CliRunner().invoke(app, asked, catch_exceptions=False)
    assert str(tmp_path) in str(caught.value)
