"""Tickets as spreadsheets save them: separators, encodings, numbers, and what is wrong in a row.

The conventions here are described by what is in the file: which separator, which encoding, which
decimal sign, which line ends.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotfolder.batch.table import MAX_BYTES
from hotfolder.batch.ticket import Placement, TicketError, is_ticket, read_ticket


def ticket(text, encoding="utf-8"):
    return read_ticket(text.encode(encoding))


def problems(text):
    return [str(problem) for problem in ticket(text).problems]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("end", ["\r\n", "\n"])
def test_any_separator_encoding_and_line_end_says_the_same(separator, encoding, end):
    lines = [
        ["File", "Page", "Width", "Height", "Caption"],
        ["größe.tif", "12", "210 mm", "29,7 cm" if separator != "," else "29.7 cm", "Ebb – é"],
    ]
    text = end.join(separator.join(cells) for cells in lines) + end
    (found,) = ticket(text, encoding).placements
    assert ("größe.tif", "12", 210.0, 297.0) == (
        found.file, found.page, found.width_mm, pytest.approx(found.height_mm),
    )  # fmt: skip
    assert "Ebb – é" == found.caption


def test_bytes_that_windows_1252_does_not_define_do_not_stop_a_ticket():
    # WHATWG Encoding Standard, index windows-1252: 0x81 stands for U+0081
    found = read_ticket(b"file;page;caption\r\na\xe9.tif;1;x\x81\r\nb\xe9.tif;2;y\r\n")
    assert ["b\u00e9.tif"] == [each.file for each in found.placements]
    assert "caption" == found.problems[0].column


def test_a_quoted_cell_may_hold_separators_quotes_and_lines():
    (found,) = ticket(
        'file,page,caption\r\n"a, b.tif",3,"He said ""ebb"",\nthen left"\r\n'
    ).placements
    assert ("a, b.tif", 'He said "ebb", then left') == (found.file, found.caption)


def test_a_separator_inside_a_quoted_title_is_not_counted():
    (found,) = ticket('"file";"page";"a,b,c,d,e"\r\nx.tif;1;z\r\n').placements
    assert "x.tif" == found.file


def test_a_line_that_names_the_separator_is_passed_over_and_counts_as_a_row():
    found = ticket("sep=;\r\nfile;page\r\nx.tif;1\r\n;2\r\n")
    assert (3, 4) == (found.placements[0].row, found.problems[0].row)


def test_rows_are_numbered_as_a_spreadsheet_shows_them():
    text = 'file,page,caption\r\n\r\n"a.tif",1,"two\nlines"\r\n,,\r\n,9,\r\n'
    found = ticket(text)
    assert 3 == found.placements[0].row
    assert ["row 5, file: is empty; allowed: the name of a picture"] == [
        str(each) for each in found.problems
    ]


@pytest.mark.parametrize(
    "titles",
    ["FILE,PAGE", " File , Page ", "file_name,page-no.", "Image file,Page number", "File:,Page:"],
)
def test_titles_are_read_whatever_their_case_blanks_and_punctuation(titles):
    assert 1 == len(ticket(f"{titles}\r\nx.tif,1\r\n").placements)


@pytest.mark.parametrize(
    ("title", "cell", "expected_mm"),
    [
        ("width", "210 mm", 210),
        ("width", "210mm", 210),
        ("Width", '"21,5 cm"', 215),
        ("width", "8.5 in", 215.9),
        ("width", '"8.5"""', 215.9),
        ("width", "1 ft", 304.8),
        ("width (mm)", "210", 210),
        ("Width_mm", "210.5", 210.5),
        ("WIDTH [cm]", '"21,5"', 215),
        ("width (mm)", "21 cm", 210),
        ("width", "210\u00a0mm", 210),
        ("width", "210\u202fMM.", 210),
        ("W in", "10", 254),
        ("width", '"8 1/2"""', 215.9),
        ("width", "8-1/2 in", 215.9),
        ("width", "8½ in", 215.9),
        ("width", "8 ½\u2033", 215.9),
        ("width", "8 3⁄8 inches", 212.725),
        ("width", "¾ in", 19.05),
        ("width (in)", "11 15/16", 303.2125),
    ],
)
def test_a_side_has_its_unit_in_the_cell_or_in_the_title(title, cell, expected_mm):
    (found,) = ticket(f"file,page,{title}\r\nx.tif,1,{cell}\r\n").placements
    assert expected_mm == found.width_mm  # as people read it, without a tail of digits


@pytest.mark.parametrize(
    "cell",
    [
        "210",
        "wide",
        "-5 mm",
        "0 mm",
        "210 parsecs",
        "11 m",
        "1.234.5 mm",
        "nan mm",
        "1e3 mm",
        "81/2 in",
        "8 2/1 in",
        "1/0 in",
        "8.5 1/2 in",
        "8 1/2",
        "8 ½ ½ in",
        "8 / 2 in",
    ],
)
def test_a_side_that_makes_no_sense_is_said_with_row_column_and_what_is_allowed(cell):
    (said,) = problems(f"file,page,width\r\nx.tif,1,{cell}\r\n")
    assert said.startswith(f'row 2, width: "{cell}"; allowed: ')


@pytest.mark.parametrize("cell", ["-80 mm", "\N{MINUS SIGN}80 mm", "0 mm", "11 m"])
def test_a_length_out_of_range_is_told_the_range(cell):
    (said,) = problems(f"file,page,width\r\nx.tif,1,{cell}\r\n")
    assert said.endswith("allowed: a length above 0 and up to 10 m")


def test_a_length_that_is_none_is_told_how_inches_may_be_written():
    (said,) = problems("file,page,width\r\nx.tif,1,81/2 in\r\n")
    assert '"8.5 in" or "8 1/2 in"' in said


@pytest.mark.parametrize(
    ("column", "cell", "allowed"),
    [
        ("copies", "two", "a whole number from 1 to 9999"),
        ("copies", "0", "a whole number from 1 to 9999"),
        ("copies", "1.5", "a whole number from 1 to 9999"),
        ("intent", "vivid", "perceptual, relative colorimetric"),
        ("placement", "x" * 41, "at most 40 characters"),
        ("caption", "y" * 2001, "at most 2000 characters"),
    ],
)
def test_what_is_wrong_in_a_row_is_said_and_the_others_go_on(column, cell, allowed):
    text = f"file,page,{column}\r\nx.tif,1,{cell}\r\ny.tif,2,\r\n"
    assert ["y.tif"] == [each.file for each in ticket(text).placements]
    (said,) = problems(text)
    assert f"row 2, {column}" in said
    assert allowed in said


def test_an_anchor_that_is_none_is_said():
    (said,) = problems("file,page,width,height,anchor\nx.tif,1,20 mm,10 mm,north\n")
    assert "centre, top, bottom" in said


def test_every_fault_of_a_row_is_said_at_once():
    assert 3 == len(problems("file,page,width,copies\r\n,1,wide,none\r\n"))


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("Perceptual", "perceptual"),
        ("RELATIVE COLORIMETRIC", "relative colorimetric"),
        ("relative-colourimetric", "relative colorimetric"),
        ("Relative", "relative colorimetric"),
        ("Least loss", "least loss"),
    ],
)
def test_intents_are_read_as_people_write_them(cell, expected):
    assert expected == ticket(f"file,page,intent\r\nx.tif,1,{cell}\r\n").placements[0].intent


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("Refined", "refined"),
        ("DETAIL", "detail"),
        ("detail+depth", "detail + depth"),
        ("relative + depth", "relative colorimetric + depth"),
        ("perceptual", "perceptual"),
        ("intent", "intent"),
        ("", ""),
    ],
)
def test_renderings_are_read_as_people_write_them(cell, expected):
    text = f"file,page,Farbwiedergabe\r\nx.tif,1,{cell}\r\n"
    assert expected == ticket(text).placements[0].rendering


def test_a_rendering_that_is_none_or_stands_beside_an_intent_is_a_fault_of_its_row():
    (wrong,) = problems("file,page,rendering\r\nx.tif,1,vivid\r\n")
    assert 'rendering: "vivid"; allowed: intent, ' in wrong
    assert "detail + depth" in wrong
    (both,) = problems("file,page,rendering,intent\r\nx.tif,1,detail,perceptual\r\n")
    assert "nothing beside the intent perceptual" in both


@pytest.mark.parametrize(
    ("column", "cell", "meant"),
    [
        ("rendering", "refinde", "refined"),
        ("rendering", "Detial", "detail"),
        ("intent", "perceptul", "perceptual"),
        ("anchor", "buttom", "bottom"),
    ],
)
def test_a_slip_of_the_pen_is_answered_first_by_what_was_meant(column, cell, meant):
    (wrong,) = problems(f"file,page,width,height,{column}\r\nx.tif,1,1 cm,1 cm,{cell}\r\n")
    assert f'{column}: "{cell}"; allowed: {meant}, if that is meant; or ' in wrong


@pytest.mark.parametrize(
    ("cell", "expected"),
    [("Top Left", "top left"), ("left-top", "top left"), ("center", "centre"), ("TOP", "top")],
)
def test_anchors_are_read_as_people_write_them(cell, expected):
    text = f"file,page,width,height,crop anchor\r\nx.tif,1,10 mm,20 mm,{cell}\r\n"
    assert expected == ticket(text).placements[0].anchor


def test_a_size_column_left_empty_is_a_slip_but_no_size_column_is_not():
    assert problems("file,page,width,height\r\nx.tif,1,,\r\n")[0].startswith(
        "row 2, width: is empty"
    )
    assert not problems("file,page\r\nx.tif,1\r\n")


def test_places_on_a_page_are_counted_when_the_ticket_does_not_name_them():
    text = "file,page\r\na.tif,4\r\nb.tif,4\r\nc.tif,5\r\nd.tif,004\r\n"
    found = [(each.page, each.name) for each in ticket(text).placements]
    assert [("4", "1"), ("4", "2"), ("5", "1"), ("4", "3")] == found


def test_putting_a_row_right_moves_no_other_placement():
    wrong = "file,page,copies\r\na.tif,4,none\r\nb.tif,4,1\r\n"
    assert ticket(wrong).placements == ticket(wrong.replace("none", "3")).placements[1:]


def test_two_rows_for_one_place_are_said():
    text = "file,page,placement\r\na.tif,4,Left\r\nb.tif,4,left\r\n"
    assert [
        'row 3, placement: "left"; allowed: another name; row 2 is placement left of page 4'
    ] == (problems(text))


def test_whole_numbers_written_with_a_decimal_point_are_whole():
    text = "file;page;placement;copies\r\nx.tif;12,0;2,0;3,0\r\n"
    expected = Placement(2, "x.tif", "12", "2", copies=3)
    assert (expected,) == ticket(text).placements


def test_columns_nobody_knows_are_said_and_passed_over():
    assert ("The column Ordered by is not used.",) == (
        ticket("file,page,Ordered by\r\nx.tif,1,me\r\n").remarks
    )


@pytest.mark.parametrize(("title", "meant"), [("Placment", "placement"), ("hight", "height")])
def test_a_column_with_a_slip_of_the_pen_is_said_with_the_one_that_it_resembles(title, meant):
    text = f"file,page,{title}\r\nx.tif,1,1\r\ny.tif,2,\r\n"
    assert (f"The column {title} is not used. Did you mean {meant}?",) == ticket(text).remarks
    # what it says of a row may cost a sheet
    assert ["y.tif"] == [each.file for each in ticket(text).placements]
    allowed = f"the title {meant}, if that is meant; or a title unlike it"
    assert [f'row 2, {title}: "1"; allowed: {allowed}'] == problems(text)
    for right in (text.replace(title, meant), text.replace(title, "our own")):
        assert all("title" not in each for each in problems(right))
    both = text.replace("page,", f"page,{meant},").replace("1,1", "1,21 cm,1")
    assert [] == [each for each in problems(both) if title in each]


@pytest.mark.parametrize("title", ["Plate", "Weight", "Date", "Plates", "Blank", "Series", "Notes"])
def test_a_column_that_is_something_else_costs_no_row(title):
    assert [] == problems(f"file,page,{title}\r\nx.tif,1,1\r\n")


@pytest.mark.parametrize(
    "title", ["Widht", "wdith", "Widthh", "copeis", "Brete", "Ritagilo", "anchr"]
)
def test_a_slip_in_a_title_costs_the_rows_that_have_something_there(title):
    (said,) = problems(f"file,page,{title}\r\nx.tif,1,1\r\n")
    assert said.startswith(f'row 2, {title}: "1"; allowed: ')


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "empty"),
        (b"caption,width\r\nx,y\r\n", "no column file and no column page"),
        (b"file,File name,page\r\n", "two columns for file: the columns 1 and 2"),
        (b'file,page\r\n"a.tif,1\r\n', "table is broken"),
        (b"file,page\r\n\0\r\n", "not text"),
        (b"\xff\xfefil", "damaged"),
        (b"x" * (MAX_BYTES + 1), "at most"),
        (b"file,page\r\n" + b"a,1\r\n" * 20_001, "more than 20,000 rows"),
    ],
)  # fmt: skip
def test_what_is_no_ticket_says_why(data, said):
    with pytest.raises(TicketError, match=said):
        read_ticket(data)


@given(st.binary(max_size=400))
def test_no_bytes_do_worse_than_be_no_ticket(data):
    try:
        found = read_ticket(data).placements
    except TicketError:
        found = ()
    assert all(each.file and each.page for each in found)


CELLS = st.text(st.characters(exclude_characters='\0"\r\n', codec="utf-8"), max_size=12)


@given(st.lists(CELLS, max_size=8), st.sampled_from(";,\t"))
def test_no_row_does_worse_than_be_said(cells, separator):
    text = f"file{separator}page{separator}width\r\n{separator.join(cells)}\r\n"
    found = ticket(text, "utf-8-sig")
    assert found.rows == len(found.placements) + len({each.row for each in found.problems})


@pytest.mark.parametrize(
    ("name", "expected"), [("Book.CSV", True), ("book.tsv", True), ("csv.tif", False)]
)
def test_a_ticket_is_told_by_its_name(name, expected):
    assert expected == is_ticket(name)


def test_an_anchor_where_nothing_is_cropped_is_passed_over_and_said():
    found = ticket(
        "file,page,width,height,anchor\nx.tif,1,20 mm,,top\ny.tif,2,20 mm,,north\n"
        "z.tif,3,20 mm,10 mm,top\n"
    )
    assert ["", "", "top"] == [each.anchor for each in found.placements]
    assert ((), 1) == (found.problems, len(found.remarks))
    assert "rows 2, 3" in found.remarks[0]


@pytest.mark.parametrize(
    "last",
    [
        "Total,,,27",
        ",Sum:,,27",
        ",,,27",
        ",,Gesamt,27",
        "Summe: 27,,,",
        "Total,,,27\n,,,\n,,Area,3.5",
    ],
)
def test_a_total_at_the_bottom_is_no_row(last):
    found = ticket(f"file,page,caption,copies\nx.tif,1,a,13\ny.tif,2,b,14\n{last}\n")
    assert (2, (), 2) == (len(found.placements), found.problems, found.rows)
    assert "total" in found.remarks[0]
    assert "4" in found.remarks[0]


@pytest.mark.parametrize("last", ["total.tif,3,,1", ",,a note,", ",3,,1", "x.tif,,,1"])
def test_a_row_that_is_no_total_is_read_as_any_other(last):
    found = ticket(f"file,page,caption,copies\nx.tif,1,a,13\ny.tif,2,b,14\n{last}\n")
    assert 3 == found.rows
    assert 3 == len(found.placements) + len({each.row for each in found.problems})


def test_a_total_that_is_not_at_the_bottom_is_a_row_that_is_wrong():
    found = ticket("file,page,copies\nx.tif,1,13\nTotal,,13\ny.tif,2,14\n")
    assert [3] == [each.row for each in found.problems]
