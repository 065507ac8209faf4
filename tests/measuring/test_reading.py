"""The reader of measurement files: every convention is read, nothing is ever shifted."""

import numpy as np
import pytest

from hotfolder.measured.matching import find_strip
from hotfolder.measured.reading import read_measurement
from hotfolder.measured.spectra import spectra_to_lab
from hotfolder.measured.table import MAX_BYTES, NotUsable
from measuring import files
from measuring.fuzz import check_mutations, read


@pytest.mark.parametrize(
    "how",
    [
        {"fields": ("name", "rgb", "lab")},
        {"fields": ("id", "rgb", "lab"), "scale": 100},
        {"fields": ("rgb", "lab"), "scale": 1},
        {"fields": ("name", "lab")},
        {"fields": ("id", "lab")},
        {"fields": ("lab",)},
        {"fields": ("name", "rgb", "xyz", "lab")},
        {"fields": ("name", "xyz"), "digits": 6},
        {"fields": ("name", "rgb", "lab"), "comma": True},
        {"fields": ("name", "rgb", "lab"), "places": [5, 3, 1, 0, 2, 4, *range(23, 5, -1)]},
        {"fields": ("name", "lab"), "places": list(range(23, -1, -1))},
        {"fields": ("id", "lab"), "places": list(range(23, -1, -1))},
    ],
    ids=str,
)
@pytest.mark.parametrize("form", [files.cgats, files.csv])
def test_each_convention_gives_the_same_colours(strip, printed, how, form):
    assert np.abs(read(form(strip, printed, **how), strip) - printed).max() < 0.01


@pytest.mark.parametrize("separator", [";", "\t", ","])
def test_each_separator(strip, printed, separator):
    text = files.csv(strip, printed, separator=separator, comma=separator != ",")
    assert np.abs(read(text, strip) - printed).max() < 0.01


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252"]
)
def test_each_encoding(strip, printed, encoding):
    head = ['DESCRIPTOR "Größe 2"'] if encoding != "cp437" else []
    text = files.cgats(strip, printed, head=head).replace("\n", "\r\n")
    assert np.abs(read(text, strip, encoding=encoding) - printed).max() < 0.01


def test_cmyk_and_cxf(strips, strip, printed):
    book = strips["book-pages"]
    text = files.cgats(book, book.lab, fields=("id", "cmyk", "lab"), scale=100)
    assert np.abs(read(text, book) - book.lab).max() < 0.01
    assert np.abs(read(files.cxf(strip, printed), strip) - printed).max() < 0.01
    said = read_measurement(files.cxf(strip, printed).encode(), "s.cxf")
    assert ("M1", "white") == (said.condition, said.backing)


def test_an_independent_plain_parse_agrees(strip, printed):
    text = files.cgats(strip, printed)
    lines = text.split("\n")
    names = lines[lines.index("BEGIN_DATA_FORMAT") + 1].split()
    rows = [each.split() for each in lines[lines.index("BEGIN_DATA") + 1 : -2]]
    at = [names.index(each) for each in ("LAB_L", "LAB_A", "LAB_B")]
    plain = np.array([[float(row[each]) for each in at] for row in rows])
    assert np.array_equal(plain, read(text, strip))


@pytest.mark.parametrize("condition", ["M0", "M1", "M2", "M3"])
def test_the_condition_is_read_where_it_is_said(strip, printed, condition):
    head = [f'MEASUREMENT_CONDITION "{condition}"', 'SAMPLE_BACKING "black"']
    said = read_measurement(files.cgats(strip, printed, head=head).encode(), "s.txt")
    assert (condition, "black") == (said.condition, said.backing)
    plain = files.cgats(strip, printed).encode()
    assert condition == read_measurement(plain, f"strip {condition}.txt").condition
    assert read_measurement(plain, "s.txt").condition is None


def without(text, line):
    lines = text.split("\n")
    return "\n".join(lines[:line] + lines[line + 1 :])


def change(text, line, old, new):
    lines = text.split("\n")
    assert old in lines[line]
    lines[line] = lines[line].replace(old, new, 1)
    return "\n".join(lines)


FIRST_ROW = 8
"""Of hand-made CGATS text, counted from 0: line 9."""


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda t: change(t, 9, "A2 ", ""), ["line 10", "6 values", "7 fields"]),
        (lambda t: change(t, 9, "A2", "A2 x"), ["line 10", "8 values"]),
        (lambda t: change(t, 9, "223.0000", "nan"), ["line 10", "RGB_R", "'nan'", "no number"]),
        (lambda t: change(t, 9, "223.0000", "1e999"), ["line 10", "no number"]),
        (lambda t: change(t, 9, "223.0000", "223,0000"), ["line 10", "comma"]),
        (lambda t: t.replace("END_DATA\n", ""), ["END_DATA is missing", "line 8"]),
        (lambda t: t.replace("END_DATA_FORMAT\n", ""), ["line 7: BEGIN_DATA before"]),
        (lambda t: without(t, 12), ["NUMBER_OF_SETS says '24'", "23"]),
        (
            lambda t: without(t, 12).replace("SETS 24", "SETS 23"),
            ["24", "23 patches", "rows are missing"],
        ),
        (lambda t: t.replace("LAB_L LAB_A", "LAB_A LAB_L"), ["line 25", "swapped"]),
        (lambda t: t.replace("LAB_A LAB_B", "LAB_B LAB_A"), ["swapped", "L*, b*, a*"]),
        (lambda t: t.replace("RGB_R RGB_G", "RGB_G RGB_R"), ["no patch", "swapped"]),
        (lambda t: t.replace("LAB_L", "LAB_X"), ["neither L*a*b*"]),
        (lambda t: t.replace("LAB_L", "RGB_R"), ["twice"]),
        (lambda t: change(t, 9, "A2", '"A2'), ["line 10", "quotation"]),
        (lambda t: change(t, 9, "A2", "A1"), ["A1", "twice"]),
        (lambda t: change(t, 9, "A2", "Z9"), ["line 10", "'Z9'"]),
        (lambda t: t[: len(t) // 2], ["ends inside"]),
        (lambda _: "", ["empty"]),
        (lambda _: "\x00\x01\x02 no text", ["no text"]),
        (lambda t: t.replace("BEGIN_DATA", "BEGIN"), ["no line names columns"]),
        (lambda t: " " * (MAX_BYTES + 1), ["MiB"]),
        (lambda t: t.replace("BEGIN_DATA_FORMAT", 'ILLUMINANT "D65"\nBEGIN_DATA_FORMAT'), ["D50"]),
    ],
    ids=lambda each: None if callable(each) else " ".join(each),
)
def test_what_is_wrong_is_refused_with_its_line(strip, printed, spoil, words):
    text = files.cgats(strip, printed)
    with pytest.raises(NotUsable) as refused:
        read(spoil(text), strip)
    for each in words:
        assert each in str(refused.value)


def test_a_short_row_of_a_table_is_refused(strip, printed):
    text = files.csv(strip, printed)
    with pytest.raises(NotUsable, match="line 3: 6 values, but the table has 7 fields"):
        read(change(text, 2, "A2;", ""), strip)
    with pytest.raises(NotUsable, match=r"line 2: 1[34] values"):
        read(files.csv(strip, printed, separator=",", comma=True), strip)


def test_another_strip_another_order_another_medium(strips, strip, printed):
    book = strips["book-pages"]
    of_book = files.cgats(book, book.lab, fields=("id", "cmyk", "lab"))
    with pytest.raises(NotUsable, match="CMYK"):
        read(of_book, strip)
    measured = read_measurement(of_book.encode(), f"{book.id}.txt")
    make = "hotfolder strip --control --for fine-art-canvas prints"
    with pytest.raises(NotUsable, match=r"measured/book-pages/"):
        find_strip(
            measured,
            f"{book.id}.txt",
            [*strips.values()],
            strip.destination,
            strip.profile_sha256,
            make,
        )
    with pytest.raises(NotUsable, match="another one now"):
        find_strip(measured, f"{strip.id}.txt", [strip], strip.destination, "0" * 64, make)
    with pytest.raises(NotUsable, match=f"no control strip was made.*`{make}`"):
        find_strip(measured, "x.txt", [], strip.destination, strip.profile_sha256, make)
    shuffled = printed[[*range(1, 24), 0]]
    with pytest.raises(NotUsable, match="another order"):
        read(files.cgats(strip, shuffled, fields=("lab",)), strip)
    other = printed.copy()
    other[:] = printed + [-2.0, 1.0, -9.0] * (printed[:, :1] / 94) ** 2
    with pytest.raises(NotUsable, match="another medium"):
        read(files.cgats(strip, other), strip)
    assert np.allclose(other, read(files.cgats(strip, other), strip, other_paper=True), atol=1e-3)


@pytest.mark.parametrize("step", [1, 5, 10, 20])
def test_each_interval_of_wavelengths_says_the_same_of_a_smooth_spectrum(step):
    waves = list(range(380, 731 - 350 % step, step))
    shares = 0.5 + 0.3 * np.tanh((np.array(waves) - 560) / 60)
    lab = spectra_to_lab(waves, shares[None], "line 1")[0]
    fine = np.arange(380, 731)
    by_nm = spectra_to_lab(list(fine), (0.5 + 0.3 * np.tanh((fine - 560) / 60))[None], "")[0]
    assert list(by_nm) == pytest.approx(list(lab), abs=0.3)


def test_spectra_become_what_they_are(strip):
    """A grey of constant reflectance has the L* of its Y, and no colour, by any table."""
    waves = range(380, 731, 10)
    shares = np.linspace(0.9, 0.03, 24)
    names = " ".join(["SAMPLE_NAME", *(f"SPECTRAL_NM{each}" for each in waves)])
    rows = [
        " ".join([patch.name, *[f"{100 * each:.5f}"] * len(waves)])
        for patch, each in zip(strip.patches, shares, strict=True)
    ]
    text = "\n".join(
        ["CGATS.17", "BEGIN_DATA_FORMAT", names, "END_DATA_FORMAT", "BEGIN_DATA", *rows, "END_DATA"]
    )
    lab = read_measurement(text.encode(), "s.txt").lab
    expected = np.where(shares > (6 / 29) ** 3, 116 * np.cbrt(shares) - 16, 0)
    assert np.abs(lab[:, 0] - expected).max() < 0.01
    assert np.abs(lab[:, 1:]).max() < 0.01
    with pytest.raises(NotUsable, match="evenly"):
        read_measurement(text.replace("NM500", "NM505").encode(), "s.txt")


def test_entities_are_refused(strip, printed):
    bomb = '<!DOCTYPE x [<!ENTITY a "aaaa">]>'
    text = files.cxf(strip, printed).replace("?>", f"?>{bomb}", 1)
    with pytest.raises(NotUsable, match="entities"):
        read_measurement(text.encode(), "s.cxf")
    broken = files.cxf(strip, printed).replace("<cc:L>", "<cc:L>x", 1)
    with pytest.raises(NotUsable):
        read(broken, strip)


def test_mutations_crash_nothing_and_shift_nothing(strip, printed):
    assert check_mutations(strip, printed, 300) < 300
