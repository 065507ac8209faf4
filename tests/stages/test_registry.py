"""Stages come from entry points and from modules in a folder, and a bad one names itself."""

from pathlib import Path

import pytest

from hotfolder import Facts, Stage, StageError
from hotfolder.errors import PluginError
from hotfolder.stages.registry import load_registry

ONE_CLASS = """
from hotfolder import Stage
class Nothing(Stage):
    name = "nothing-at-all"
"""


def module(folder: Path, text: str, name: str = "mine.py") -> Path:
    folder.mkdir(exist_ok=True)
    (folder / name).write_text(text)
    return folder


def test_the_built_in_stages_are_found_by_name():
    assert {
        "preflight",
        "sizing",
        "gamut-check",
        "output-sharpening",
        "profile-conversion",
        "tagging",
    } <= set(load_registry().stages)


def test_one_class_in_a_file_is_a_stage(tmp_path):
    registry = load_registry(module(tmp_path, ONE_CLASS))
    assert issubclass(registry.stages["nothing-at-all"], Stage)


def test_a_folder_that_does_not_exist_adds_nothing(tmp_path):
    assert load_registry(tmp_path / "none").stages == load_registry().stages


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("import no_such_thing", "mine.py cannot be imported: ModuleNotFoundError"),
        ("x = (", "mine.py cannot be imported: SyntaxError"),
        (
            ONE_CLASS.replace("nothing-at-all", "Nothing At All"),
            "lower-case words joined by hyphens",
        ),
        (ONE_CLASS.replace("name =", "title ="), "the stage's name is None"),
        (ONE_CLASS + "    Settings = dict\n", "Nothing.Settings must extend StageSettings"),
        (ONE_CLASS.replace("nothing-at-all", "sizing"), "two stages are called 'sizing'"),
        (ONE_CLASS + "    place = 'first'\n", "Nothing.place must be a Place, or None"),
        (ONE_CLASS + "    role = 'sheet'\n", "Nothing.role must be a Role, or None"),
        (ONE_CLASS + "    tells = [int]\n", "Nothing.tells must be a tuple of Message classes"),
        (ONE_CLASS + "    comes_after = (int,)\n", "Nothing.comes_after must be a tuple of"),
    ],
)
def test_a_bad_plugin_is_refused_and_says_whose_it_is(tmp_path, text, said):
    with pytest.raises(PluginError) as error:
        load_registry(module(tmp_path, text))
    assert said in str(error.value)
    assert "mine.py" in str(error.value)


# a module beside a stage

HELPER = "WORD = 'mud'\n"
USER = """
from hotfolder import Stage
from .helper import WORD
class Nothing(Stage):
    name = "nothing-at-all"
    word = WORD
"""


def test_a_module_beside_a_stage_is_no_stage_and_no_error(tmp_path):
    module(tmp_path, HELPER, "helper.py")
    registry = load_registry(module(tmp_path, USER))
    assert "mud" == registry.stages["nothing-at-all"].word


def test_a_folder_of_helpers_alone_adds_nothing(tmp_path):
    assert load_registry(module(tmp_path, HELPER)).stages == load_registry().stages


def test_a_helper_of_another_root_is_not_taken_for_it(tmp_path):
    for word in ("mud", "silt"):
        module(tmp_path / word, HELPER.replace("mud", word), "helper.py")
        registry = load_registry(module(tmp_path / word, USER))
        assert word == registry.stages["nothing-at-all"].word


def test_a_helper_does_not_stand_in_the_way_of_a_module_of_its_name(tmp_path):
    module(tmp_path, HELPER, "colour.py")
    load_registry(module(tmp_path, USER.replace(".helper", ".colour")))
    import colour

    assert not hasattr(colour, "WORD")


def test_a_helper_that_is_imported_as_an_installed_module_is_told_how(tmp_path):
    module(tmp_path, HELPER, "helper.py")
    with pytest.raises(PluginError, match=r"imported as `from \. import helper`"):
        load_registry(module(tmp_path, USER.replace("from .helper", "from helper")))


def test_a_class_that_a_stage_imports_from_another_one_is_no_second_stage(tmp_path):
    module(tmp_path, ONE_CLASS, "base.py")
    text = "from .base import Nothing\nclass More(Nothing):\n    name = 'more'\n"
    registry = load_registry(module(tmp_path, text))
    assert {"more", "nothing-at-all"} <= set(registry.stages)
    assert registry.owners["nothing-at-all"].startswith(str(tmp_path / "base.py"))


# what findings mean

FACTS = """
from hotfolder import Column, Facts, Stage, number_in
class Dry(Stage):
    name = "dry"
    @classmethod
    def hotfolder_facts(cls, findings, settings):
        hours = number_in(findings, "hours")
        return Facts(share_lost=0.5, columns=(Column("drying", "Drying", "h", hours),))
class Wrong(Stage):
    name = "wrong"
    @classmethod
    def hotfolder_facts(cls, findings, settings):
        return findings["no"]
class Odd(Stage):
    name = "odd"
    @classmethod
    def hotfolder_facts(cls, findings, settings):
        return dict(findings)
"""


def test_a_stage_says_what_its_findings_mean(tmp_path):
    registry = load_registry(module(tmp_path, FACTS))
    facts = registry.facts_of("dry", {"hours": 6}, {})
    assert (0.5, "Drying, h", 6.0) == (
        facts.share_lost,
        facts.columns[0].heading,
        facts.columns[0].value,
    )


def test_a_stage_that_says_nothing_or_is_not_there_knows_no_facts(tmp_path):
    registry = load_registry(module(tmp_path, ONE_CLASS))
    for stage in ("nothing-at-all", "gone"):
        assert Facts() == registry.facts_of(stage, {"hours": 6}, {})


@pytest.mark.parametrize(
    ("stage", "said"),
    [("wrong", "wrong cannot say what its findings mean: KeyError"), ("odd", "not Facts")],
)
def test_a_stage_that_fails_at_its_facts_is_named(tmp_path, stage, said):
    registry = load_registry(module(tmp_path, FACTS))
    with pytest.raises(StageError, match=said):
        registry.facts_of(stage, {"hours": 6}, {})


# as records of today hold it
RECORDED = {
    "gamut-check": {
        "lost_share": 0.12,
        "out_of_gamut_share": 0.03,
        "lost_in_words": "mostly greens",
        "effective_tolerance_delta_e_00": 3.0,
        "delta_e_00": {"mean": 1.5, "p95": 6.0, "p99": 8.0, "max": 9.0},
        "lost_by_hue": {"green": 0.9, "grey": 0.1},
    },
    "preflight": {"effective_ppi": 92.0},
    "ink-check": {"max_percent": 310.0, "limit_percent": 300.0, "above_limit_share": 0.01},
    "neutral-check": {"monochrome": True, "worst_cast": {"chroma": 2.5}},
    "page-balance": {"mean_lightness": 60.0, "grey_share": 0.2, "grey_a": None, "grey_b": 1.0},
}
MEANING = {
    "gamut-check": Facts(
        share_lost=0.12,
        share_out_of_gamut=0.03,
        lost_in_words="mostly greens",
        tolerance_delta_e_00=3.0,
        delta_e_mean=1.5,
        delta_e_p95=6.0,
        delta_e_max=9.0,
        hues={"green": 0.9, "grey": 0.1},
    ),
    "preflight": Facts(effective_ppi=92.0, wanted_ppi=75.0),
    "ink-check": Facts(ink_max_percent=310.0, ink_limit_percent=300.0, ink_above_share=0.01),
    "neutral-check": Facts(is_black_and_white=True, cast_chroma=2.5),
    "page-balance": Facts(mean_lightness=60.0, grey_share=0.2, grey_b=1.0),
}


@pytest.mark.parametrize("stage", RECORDED)
def test_what_findings_of_built_in_stages_mean(stage):
    settings = {"warn_below_ppi": 75, "hold_below_ppi": 60}
    assert MEANING[stage] == load_registry().facts_of(stage, RECORDED[stage], settings)


@pytest.mark.parametrize("stage", RECORDED)
@pytest.mark.parametrize("findings", [{}, {"lost_by_hue": 3, "delta_e_00": "no", "monochrome": 1}])
def test_findings_of_another_shape_mean_nothing(stage, findings):
    assert Facts() == load_registry().facts_of(stage, findings, {})


def test_facts_of_several_stages_are_joined():
    registry, joined = load_registry(), Facts()
    for stage, findings in RECORDED.items():
        joined = joined.joined_with(registry.facts_of(stage, findings, {"warn_below_ppi": 75}))
    assert (0.12, 92.0, 75.0, 310.0, 2.5, 60.0) == (
        joined.share_lost,
        joined.effective_ppi,
        joined.wanted_ppi,
        joined.ink_max_percent,
        joined.cast_chroma,
        joined.mean_lightness,
    )


GREEDY = """
from hotfolder import SizeWish, Stage, StageSettings
class GreedySettings(StageSettings):
    grants = (SizeWish, "caption")
class Greedy(Stage[GreedySettings]):
    name = "greedy"
    Settings = GreedySettings
"""


def test_a_stage_that_grants_what_is_no_wish_is_refused(tmp_path):
    with pytest.raises(PluginError, match=r"GreedySettings\.grants must be a tuple of Wish"):
        load_registry(module(tmp_path, GREEDY))


MADE_FOR = """
from hotfolder import Stage, StageSettings
class Old(Stage[StageSettings]):
    name = "old"
    made_for = "{versions}"
"""


@pytest.mark.parametrize(
    ("versions", "said"),
    [
        (">=99", r"is made for hotfolder >=99, and this is \d[^ ]*: install a version of it"),
        ("new", "made_for: Invalid specifier.*write it as in"),
    ],
)
def test_a_stage_made_for_another_version_is_refused_with_both(tmp_path, versions, said):
    (tmp_path / "old.py").write_text(MADE_FOR.format(versions=versions))
    with pytest.raises(PluginError, match=said) as refused:
        load_registry(tmp_path)
    assert "old.py" in str(refused.value)


def test_a_stage_made_for_this_version_is_taken(tmp_path):
    (tmp_path / "old.py").write_text(MADE_FOR.format(versions=">=0.1, <99"))
    assert "old" in load_registry(tmp_path).stages


@pytest.mark.parametrize(
    ("needs", "fits"),
    [
        ("hotfolder>=99", False),
        ("Hotfolder <99", True),
        ("hotfolder", True),
        ("numpy>=99", True),
        ("hotfolder>=99; extra == 'old'", True),
    ],
)
def test_a_package_is_held_to_what_it_says_it_needs(tmp_path, monkeypatch, needs, fits):
    place = tmp_path / "tide_mark-2.1.dist-info"
    place.mkdir()
    (place / "METADATA").write_text(
        f"Metadata-Version: 2.1\nName: tide-mark\nVersion: 2.1\nRequires-Dist: {needs}\n"
    )
    (place / "entry_points.txt").write_text("[hotfolder.stages]\ntide-mark = tide_mark:TideMark\n")
    (tmp_path / "tide_mark.py").write_text(
        "from hotfolder import Stage, StageSettings\n"
        'class TideMark(Stage[StageSettings]):\n    name = "tide-mark"\n'
    )
    monkeypatch.syspath_prepend(tmp_path)
    none = tmp_path / "plugins"
    none.mkdir()
    (none / "helper.py").write_text("")  # so that the registry is read afresh
    if fits:
        assert load_registry(none).owners["tide-mark"].startswith("tide-mark: ")
    else:
        with pytest.raises(PluginError, match=r"tide-mark 2\.1 is made for hotfolder >=99"):
            load_registry(none)
