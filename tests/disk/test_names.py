"""Names: shown so that nothing hides, written so that every file system holds them."""

from __future__ import annotations

import json
import ntpath
import os
import sys
import unicodedata
from pathlib import PurePosixPath, PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotfolder.disk.names import (
    MAX_COMPONENT_BYTES,
    MAX_RELATIVE_BYTES,
    collision_key,
    display_name,
    result_name,
    safe_component,
    safe_relative,
)

NASTY = st.text(max_size=200) | st.text("aé. ́CON/\\\udc80:~-_ßſ½", max_size=150)
"""Any text, and text made of what is treated specially."""


@pytest.mark.parametrize(
    ("shown", "raw"),
    [
        ("reeds.tif", b"reeds.tif"),
        ("Flut-Über.tif", "Flut-Über.tif".encode()),
        (r"reed\xe9s.tif", b"reed\xe9s.tif"),
        (r"reed\xe9s.tif", os.fsdecode(b"reed\xe9s.tif")),
        (r"a\x0ab\x1b[2J.tif", "a\nb\x1b[2J.tif"),
        (r"a\u202efit.exe", "a\u202efit.exe"),
        (r"a\u200bb\ufeff", "a\u200bb\ufeff"),
        (r"a\u2028b", "a\u2028b"),
        (r"a\U000e0041", "a\U000e0041"),
        (r"a\ud800", "a\ud800"),
        ("<script>", "<script>"),  # escaping for HTML is for who writes HTML
    ],
)
def test_what_cannot_be_seen_is_shown(shown, raw):
    assert shown == display_name(raw)


@given(NASTY | st.binary(max_size=100))
def test_a_shown_name_is_one_line_of_valid_text(raw):
    shown = display_name(raw)
    assert len(shown.splitlines()) <= 1
    assert shown == json.loads(json.dumps(shown, ensure_ascii=False).encode())


@pytest.mark.parametrize(
    ("safe", "text"),
    [
        ("reeds.tif", "reeds.tif"),
        ("Ü.tif", "U\u0308.tif"),
        ("_._etc_passwd", "../etc/passwd"),
        ("C__windows", "C:\\windows"),
        ("%2e%2e%2f", "%2e%2e%2f"),  # nothing here decodes it
        ("a_b_.tif", "a\0b\n.tif"),
        ("a_b.tif", "a\u202eb.tif"),
        ("a_.tif", os.fsdecode(b"a\xff.tif")),
        ("reeds", "reeds. . ."),
        ("reeds", "  reeds  "),
        ("_hidden", ".hidden"),
        ("_CON", "CON"),
        ("_con.tif", "con.tif"),
        ("_nul .tif", "nul .tif"),
        ("_LPT9.a.b", "LPT9.a.b"),
        ("_COM¹.tif", "COM¹.tif"),
        ("_CONIN$", "CONIN$"),
        ("console.tif", "console.tif"),
        ("unnamed", ""),
        ("unnamed", " "),
        ("unnamed", "."),
        ("unnamed", "..."),
    ],
)
def test_a_component_is_made_safe(safe, text):
    assert safe == safe_component(text)


def test_a_long_name_keeps_its_suffix():
    found = safe_component("é" * 300 + ".tiff")
    assert found.endswith("é.tiff")
    assert len(found.encode()) in {MAX_COMPONENT_BYTES - 1, MAX_COMPONENT_BYTES}


def is_reserved(name: str) -> bool:
    """Whether Windows takes a name for a device's, by the standard library."""
    if sys.version_info >= (3, 13):
        return ntpath.isreserved(name)
    return PureWindowsPath(name).is_reserved()


@given(NASTY)
def test_a_safe_component_is_one_on_every_system(text):
    found = safe_component(text)
    assert 0 < len(found.encode()) <= MAX_COMPONENT_BYTES
    assert unicodedata.is_normalized("NFC", found)
    assert (found,) == PurePosixPath(found).parts == PureWindowsPath(found).parts
    assert not is_reserved(found)
    assert found == found.rstrip(". ")
    assert not found.startswith(".")
    assert found == safe_component(found)


def test_a_safe_component_can_be_made_here(tmp_path):
    for text in ("a" * 500, "é" * 500, "\udcff", "CON", "a\nb", ""):
        (tmp_path / safe_component(text)).touch()


@pytest.mark.parametrize(
    ("safe", "path"),
    [
        ("spring/plates", "spring/plates"),
        ("_/_/etc", "../../etc"),
        ("etc/passwd", "/etc/passwd"),
        ("a/b", "a//./b/"),
        ("C_/x", "C:/x"),
        (".", ""),
        (".", "."),
    ],
)
def test_a_relative_path_stays_inside(safe, path):
    assert PurePosixPath(safe) == safe_relative(path)


@given(st.lists(NASTY).map("/".join))
def test_no_relative_path_leads_outside(path):
    found = safe_relative(path)
    assert not found.is_absolute()
    assert not {"..", "/", ""} & set(found.parts)
    assert len(str(found).encode()) <= MAX_RELATIVE_BYTES
    assert found == safe_relative(found)


def test_a_deep_path_keeps_its_inner_folders():
    found = safe_relative("/".join([*("deep" for _ in range(2000)), "plates"]))
    assert found.name == "plates"
    assert 900 < len(str(found)) <= MAX_RELATIVE_BYTES


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("REEDS.TIF", "reeds.tif"),
        ("é.tif", "e\u0301.tif"),
        ("É.tif", "e\u0301.TIF"),
        ("straße.tif", "STRASSE.tif"),
        ("\u212bngstrom", "ångstrom"),  # the sign of the unit is canonically the letter
        ("a/Bc", "A/bC"),
    ],
)
def test_names_that_some_file_system_takes_for_the_same_have_one_key(one, other):
    assert collision_key(one) == collision_key(other)


@pytest.mark.parametrize(("one", "other"), [("a", "b"), ("a/b", "ab"), ("ﬁn²", "ﬁn2")])
def test_other_names_have_other_keys(one, other):
    assert collision_key(one) != collision_key(other)


@given(NASTY)
def test_a_key_is_its_own_key(text):
    assert collision_key(text) == collision_key(collision_key(text))


@pytest.mark.parametrize(
    ("name", "stem", "suffix", "number"),
    [
        ("reeds.tif", "reeds", ".tif", 1),
        ("reeds-2.tif", "reeds", ".tif", 2),
        ("reeds-10.jpg", "reeds", ".jpg", 10),
        ("_con.tif", "con", ".tif", 1),
        ("_con-2.tif", "con", ".tif", 2),
        ("unnamed.tif", "", ".tif", 1),
        ("reeds-2", "reeds", "", 2),
    ],
)
def test_results_are_numbered_from_the_second_on(name, stem, suffix, number):
    assert name == result_name(stem, suffix, number)


@given(NASTY, st.sampled_from([".tif", ".jpg", ""]), st.integers(2, 99_999))
def test_the_number_and_the_suffix_stay_in_a_long_name(stem, suffix, number):
    found = result_name(stem, suffix, number)
    assert found.endswith(f"-{number}{suffix}")
    assert found == safe_component(found)
