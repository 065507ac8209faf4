"""README.md, DEVELOPERS.md and the guides say what is so."""

import re
import tomllib
from pathlib import Path

from hotfolder.cli.main import app
from hotfolder.model.name_template import FIELDS
from hotfolder.settings.files import check_destination
from hotfolder.settings.reference import write_reference
from hotfolder.settings.tables import Intake, Keep, RootFile
from hotfolder.stages.registry import ENTRY_POINT_GROUP, load_registry

TOP = Path(__file__).parents[1]
README = (TOP / "README.md").read_text()
DEVELOPERS = (TOP / "DEVELOPERS.md").read_text()
GUIDES = [
    DEVELOPERS,
    *(path.read_text() for path in TOP.glob("*/**/README.md") if ".venv" not in path.parts),
]
BLOCKS = re.findall(r"```(\w*)\n(.*?)```", README, re.DOTALL)


def test_ci_runs_the_second_command_of_the_readme_word_for_word():
    commands = [text.strip() for kind, text in BLOCKS if kind == "sh"]
    assert ".venv/bin/hotfolder demo" in commands[0]
    assert ".venv/bin/pytest" in commands[1]
    assert commands[1] in (TOP / ".ci" / "run").read_text()


def test_the_destination_in_the_readme_is_right(root):
    (text,) = (text for kind, text in BLOCKS if kind == "toml" and "[medium]" in text)
    path = root.destinations / "fine-art-canvas.toml"
    found = check_destination(path, tomllib.loads(text), load_registry(), Intake())
    assert set(found.stage_settings) == set(found.file.stages)


def test_every_command_is_in_the_readme():
    names = [command.name or command.callback.__name__ for command in app.registered_commands]
    assert [name for name in names if f"hotfolder {name}" not in README] == []


def test_every_command_and_setting_in_the_guides_for_keeping_exists():
    names = {each.name or each.callback.__name__ for each in app.registered_commands}
    names |= {group.name for group in app.registered_groups}
    guides = [
        (TOP / each).read_text() for each in ("config/KEEPING.md", "examples/container/README.md")
    ]
    command = re.compile(r"(?:^|`|&& |<\()hotfolder ([a-z]+(?:-stage)?)\b", re.MULTILINE)
    named = {name for text in guides for name in command.findall(text)}
    assert named > {"backup", "restore", "tidy", "service", "completion"}
    assert named - names == set()
    rows = re.findall(r"^\| [^|]+ \| `(\w+)", guides[0], re.MULTILINE)
    known = {*Keep.model_fields, *RootFile.model_fields}
    assert set(Keep.model_fields) <= set(rows) <= known


def test_every_built_in_stage_is_in_the_guide_for_stages():
    guide = (TOP / "plugins/README.md").read_text()
    rows = re.findall(r"^\| ([a-z-]+) \| `(\w+)/` \|", guide, re.MULTILINE)
    assert sorted(name for name, _ in rows) == sorted(load_registry().stages)
    rooms = TOP / "plugins" / "hotfolder_stages"
    assert [room for _, room in rows if not (rooms / room).is_dir()] == []


def test_the_entry_point_group_is_the_one_that_is_documented():
    assert f"`{ENTRY_POINT_GROUP}`" in README


def test_every_file_that_a_document_points_to_exists():
    pattern = r"[`(]((?:hotfolder|tests|examples|plugins|config)/[\w./-]+)[`)]"
    named = {path for text in (README, *GUIDES) for path in re.findall(pattern, text)}
    assert named
    assert [path for path in named if not (TOP / path).exists()] == []


def test_the_default_intake_times_are_the_ones_of_a_new_root():
    settings = tomllib.loads((TOP / "config/hotfolder_defaults/hotfolder.toml").read_text())
    assert Intake.model_validate(settings["intake"]) == Intake()


def test_the_reference_of_settings_is_what_the_models_say():
    assert (TOP / "config/SETTINGS.md").read_text() == write_reference(load_registry())


def test_no_setting_is_without_words():
    rows = re.findall(r"^\| `(\w+)` \| (.*?) \|", write_reference(load_registry()), re.MULTILINE)
    assert len(rows) > 70
    assert [name for name, words in rows if len(words.split()) < 3] == []


def test_every_field_of_a_ticket_s_names_is_in_the_guide_for_books():
    guide = (TOP / "examples/a-book.md").read_text()
    assert [name for name in FIELDS if f"`{{{name}}}" not in guide and name not in guide] == []


def test_the_documents_are_as_short_as_they_are_meant_to_be():
    assert len(README.splitlines()) <= 120
    assert len(DEVELOPERS.encode()) <= 12 * 1024
