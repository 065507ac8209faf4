"""Tickets as spreadsheet programs save them, written here by hand from the standards.

Office Open XML: ECMA-376, part 1, 18. OpenDocument: ISO/IEC 26300-1, 9.1.
"""

from __future__ import annotations

import io
import zipfile
from xml.sax.saxutils import escape

import pytest

from batch.conftest import BOOK, picture, state, sweep
from hotfolder.batch.ticket import TicketError, is_ticket, read_ticket
from hotfolder.batch.titles import TITLES
from whole.conftest import records

pytestmark = pytest.mark.slow

ROWS = [["File", "Page", "Width (mm)"], ["reeds.tif", 2, 40], ["mud.tif", "iv", 20.5]]
_HEAD = '<?xml version="1.0" encoding="UTF-8"?>'
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_OF = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"


def packed(files):
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in files.items():
            archive.writestr(name, text)
    return made.getvalue()


def cell(row, column, value):
    at = f"{chr(ord('A') + column)}{row}"
    if isinstance(value, tuple):  # as it stands: attributes, content
        return f'<c r="{at}" {value[0]}>{value[1]}</c>'
    if isinstance(value, str):
        return f'<c r="{at}" t="inlineStr"><is><t>{escape(value)}</t></is></c>'
    return f'<c r="{at}"><v>{value}</v></c>'


def xlsx(*sheets, merged=""):
    """A workbook of sheets, each a list of rows."""
    names = [f"sheet{number}" for number in range(1, len(sheets) + 1)]
    files = {
        "[Content_Types].xml": f'{_HEAD}<Types xmlns="{_PACKAGE}/content-types"/>',
        "_rels/.rels": f'{_HEAD}<Relationships xmlns="{_PACKAGE}/relationships"><Relationship '
        f'Id="r" Type="{_OF}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'{_HEAD}<workbook xmlns="{_MAIN}" xmlns:r="{_OF}"><sheets>'
        + "".join(f'<sheet name="{n}" sheetId="{i}" r:id="{n}"/>' for i, n in enumerate(names, 1))
        + "</sheets></workbook>",
        "xl/_rels/workbook.xml.rels": f'{_HEAD}<Relationships xmlns="{_PACKAGE}/relationships">'
        + "".join(
            f'<Relationship Id="{n}" Type="{_OF}/worksheet" Target="worksheets/{n}.xml"/>'
            for n in names
        )
        + f'<Relationship Id="s" Type="{_OF}/styles" Target="styles.xml"/></Relationships>',
        # style 1 is a date (18.8.30: number format 14)
        "xl/styles.xml": f'{_HEAD}<styleSheet xmlns="{_MAIN}"><cellXfs count="2"><xf numFmtId="0"/>'
        '<xf numFmtId="14" applyNumberFormat="1"/></cellXfs></styleSheet>',
    }
    for name, rows in zip(names, sheets, strict=True):
        body = "".join(
            f'<row r="{number}">{"".join(cell(number, at, v) for at, v in enumerate(row))}</row>'
            for number, row in enumerate(rows, 1)
        )
        files[f"xl/worksheets/{name}.xml"] = (
            f'{_HEAD}<worksheet xmlns="{_MAIN}"><sheetData>{body}</sheetData>'
            + (f'<mergeCells><mergeCell ref="{merged}"/></mergeCells>' if merged else "")
            + "</worksheet>"
        )
    return packed(files)


def ods(rows):
    names = "urn:oasis:names:tc:opendocument:xmlns"

    def one(value):
        if isinstance(value, str):
            return (
                f'<table:table-cell office:value-type="string"><text:p>{escape(value)}</text:p>'
                "</table:table-cell>"
            )
        return f'<table:table-cell office:value-type="float" office:value="{value}"/>'

    body = "".join(f"<table:table-row>{''.join(map(one, row))}</table:table-row>" for row in rows)
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    return packed(
        {
            "mimetype": kind,
            "META-INF/manifest.xml": _HEAD
            + f'<manifest:manifest xmlns:manifest="{names}:manifest:1.0">'
            f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{kind}"/>'
            "</manifest:manifest>",
            "content.xml": f'{_HEAD}<office:document-content xmlns:office="{names}:office:1.0" '
            f'xmlns:table="{names}:table:1.0" xmlns:text="{names}:text:1.0"><office:body>'
            f'<office:spreadsheet><table:table table:name="Book">{body}</table:table>'
            "</office:spreadsheet></office:body></office:document-content>",
        }
    )


def read(data, name="book.xlsx"):
    return read_ticket(data, name)


@pytest.mark.parametrize(("name", "data"), [("b.xlsx", xlsx(ROWS)), ("b.ODS", ods(ROWS))])
def test_a_workbook_is_a_ticket_as_its_text_would_be(name, data):
    assert is_ticket(name)
    found = read(data, name).placements
    assert [(2, "reeds.tif", "2", 40), (3, "mud.tif", "iv", 20.5)] == [
        (each.row, each.file, each.page, each.width_mm) for each in found
    ]


def test_the_first_sheet_with_rows_is_read_and_others_are_named():
    said = read(xlsx([], ROWS, [["notes"]]))
    assert 2 == len(said.placements)
    assert ["The workbook has several sheets; “sheet2” was read, not “sheet3”."] == list(
        said.remarks
    )


DATE = ('s="1"', "<v>45000</v>")
FORMULA = ("", "<f>A1&amp;B1</f>")
CALCULATED = ("", "<f>1+1</f><v>2</v>")
ERROR = ('t="e"', "<f>1/0</f><v>#DIV/0!</v>")


@pytest.mark.parametrize(
    ("value", "column", "said"),
    [
        (DATE, "page", "made a date or time of it"),
        (FORMULA, "page", "the cell is a formula, and its result is not in the file"),
        (ERROR, "page", "could not calculate it"),
        (FORMULA, "file", "the cell is a formula"),
        (DATE, "width", "made a date or time of it"),
    ],
)
def test_a_cell_that_cannot_be_used_says_why(value, column, said):
    row = ["reeds.tif", 2, 40]
    row[["file", "page", "width"].index(column)] = value
    found = read(xlsx([ROWS[0], row, ROWS[2]]))
    assert ["mud.tif"] == [each.file for each in found.placements]
    (problem,) = found.problems
    assert (2, column) == (problem.row, problem.column)
    assert said in problem.allowed


def test_a_formula_that_was_calculated_is_its_result():
    (found,) = read(xlsx([ROWS[0], ["reeds.tif", CALCULATED, 40]])).placements
    assert "2" == found.page


def test_merged_cells_are_named():
    rows = [ROWS[0], ["reeds.tif", 2, 40], ["mud.tif", "", 40]]
    (problem,) = read(xlsx(rows, merged="B2:B3")).problems
    assert (3, "page") == (problem.row, problem.column)
    assert "merged with B2. Unmerge them" in problem.allowed


def far_cell():
    """A few hundred bytes that stand for seventeen thousand million cells."""
    rows = [ROWS[0], ROWS[1]]
    data = xlsx(rows)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        files = {each: archive.read(each).decode() for each in archive.namelist()}
    far = '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    name = "xl/worksheets/sheet1.xml"
    files[name] = files[name].replace("</sheetData>", far)
    return packed(files)


def bomb():
    return packed({"xl/workbook.xml": b" " * 300 * 2**20})


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: xlsx(ROWS)[:-400], "damaged"),
        (lambda: xlsx(ROWS).replace(b"PK\x03\x04", b"PK\x03\x05", 1), "damaged"),
        (lambda: b"not a workbook", "cannot be read as a workbook"),
        (lambda: b"", "cannot be read as a workbook"),
        (lambda: packed({"a.txt": "a"}), "cannot be read as a workbook"),
        (lambda: xlsx([]), "It is empty"),
        (far_cell, "far too large"),
        (bomb, "far too large for a ticket"),
        (lambda: b"PK" + b"0" * 9 * 2**20, "a ticket has at most"),
        (lambda: xlsx([ROWS[0]] + [["a.tif", 1, 40]] * 20_001), "a ticket has at most 20,000"),
        (lambda: xlsx([["Datum", "Wert"]]), "It has no column file and no column page"),
    ],
    ids=[
        "cut", "broken", "text", "nothing", "archive", "empty", "far cell", "bomb", "large", "long",
        "titles",
    ],
)  # fmt: skip
def test_what_is_no_ticket_says_why(make, said):
    with pytest.raises(TicketError) as error:
        read(make())
    assert said in str(error.value)


@pytest.mark.parametrize(
    "titles",
    ["Datei;Seite;Breite (mm)", "Fichier;N° de page;Largeur mm", "Archivo;Página;Ancho (mm)",
     "Nome file;Pagina;Larghezza (mm)", "Bestand;Pagina;Breedte mm", "Plik;Strona;Szerokość mm",
     "Tiedosto;Sivu;Leveys mm", "Fil;Side;Bredde mm", "Ficheiro;Página;Largura mm"],
)  # fmt: skip
def test_titles_are_read_in_the_languages_of_europe(titles):
    (found,) = read_ticket(f"{titles}\nreeds.tif;2;40\n".encode()).placements
    assert ("reeds.tif", "2", 40) == (found.file, found.page, found.width_mm)


def test_no_title_means_two_columns():
    titles = [title for each in TITLES.values() for title in each]
    assert len(set(titles)) == len(titles)


def test_a_workbook_in_a_batch_is_worked_on(book):
    picture(book, "reeds.tif")
    (book.path / "in" / BOOK / "estuary/book.xlsx").write_bytes(xlsx(ROWS[:2]))
    sweep(book)
    assert "book.xlsx" == state(book).ticket
    assert ["delivered"] == [each["state"] for each in records(book, BOOK)]
