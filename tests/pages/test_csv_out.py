"""CSV that is safe to open in a spreadsheet, and whole when read back."""

import csv
import io

import pytest

from hotfolder.pages.csv_out import safe_cell, to_csv


@pytest.mark.parametrize("first", ["=", "+", "-", "@", "\t", "\0", "\r", "\n"])
def test_a_text_that_a_spreadsheet_would_run_gets_an_apostrophe(first):
    # OWASP ASVS 5.0, 1.2.10: = + - @, tab and NUL; CR and LF are common practice, no source
    assert safe_cell(f"{first}HYPERLINK(1)") == f"'{first}HYPERLINK(1)"


@pytest.mark.parametrize("value", [-3, -0.5, 12, 1e-5])
def test_a_number_stays_a_number(value):
    assert safe_cell(value) is value
    assert float(to_csv(["n"], [[value]]).splitlines()[1]) == value


@pytest.mark.parametrize("text", ["-3", "mud=flat", "a-b", " =1", ""])
def test_a_text_that_looks_like_a_number_is_no_number_and_others_are_left_alone(text):
    assert safe_cell(text) == (f"'{text}" if text == "-3" else text)


def test_separators_quotes_and_line_ends_inside_a_cell_read_back():
    rows = [['a;=1+1,"b"\r\nc', 'd"'], ["é", "ü"]]
    found = list(csv.reader(io.StringIO(to_csv(["one", "two"], rows), newline="")))
    assert [["one", "two"], *rows] == found


def test_nothing_is_an_empty_cell():
    assert to_csv(["a", "b"], [[None, 1]]) == '"a","b"\r\n"",1\r\n'
