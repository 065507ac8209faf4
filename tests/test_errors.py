"""Errors say what, where and what to do."""

from dataclasses import replace

from hotfolder.errors import Problem


def test_a_long_path_is_shortened_in_the_middle_and_its_file_keeps_its_name():
    folders = "/".join(["estuary, seen from the north bank"] * 50)
    long = f"/shoots/{folders}/evening light.tif"
    for said in (
        Problem(long, "", "cannot be read", ""),
        Problem("--report", long, "cannot be written", ""),
        Problem("PROFILE", "", long.replace(" ", "_"), "an ICC file"),
    ):
        assert len(str(said).replace("_", " ")) < 450
        assert "/shoots/estuary" in str(said)
        assert "…/evening light.tif" in str(said).replace("_", " ")


def test_a_sentence_that_begins_with_a_path_is_said_whole():
    folders = "/".join(["estuary"] * 100)
    said = f"/shoots/{folders}/reeds.tif was changed; the one that was kept is /kept/reeds.tif"
    assert said in str(Problem("desk", "", said, ""))


def test_what_is_copied_into_a_shell_is_never_shortened():
    long = f"/shoots/{'/'.join(['estuary'] * 300)}"
    assert f"`hotfolder init {long}`" in str(
        Problem("", "", "no root", f"run `hotfolder init {long}`")
    )
    short = "/shoots/estuary/evening light.tif"
    assert str(Problem(short, "", "cannot be read", "")).startswith(f"{short}:")


def test_what_was_probably_meant_is_asked_before_what_is_allowed():
    found = Problem("wall.toml", "tickets", "does not exist", "ticket, stages", 7, meant="ticket")
    assert (
        "wall.toml, line 7: tickets: does not exist; did you mean ticket? Allowed: ticket, stages"
        == str(found)
    )
    assert str(replace(found, meant="")).endswith("does not exist; allowed: ticket, stages")
    assert "wall.toml: empty" == str(Problem("wall.toml", "", "empty", ""))
