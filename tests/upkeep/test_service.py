"""A service's definition says what serves a root, whoever reads it."""

import configparser
import json
import plistlib
import shlex
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest
from typer.testing import CliRunner

from hotfolder.cli.main import app
from hotfolder.errors import SettingsError, StorageError
from hotfolder.settings.root import Root
from hotfolder.upkeep import service as services
from hotfolder.upkeep.service import Manager, Service
from whole.conftest import small, write_destination  # noqa: F401


@pytest.fixture(scope="module")
def awkward(tmp_path_factory):
    """A root with a blank, a quote, a dollar and a percent sign in its path."""
    path = tmp_path_factory.mktemp("of") / 'the "5 %" $desk'
    (path / "destinations").mkdir(parents=True)
    (path / "hotfolder.toml").write_text("")
    return Root(path)


@pytest.fixture
def session(awkward, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return Service(awkward, "desk", Manager.SYSTEMD)


@pytest.fixture
def machine(awkward, tmp_path, monkeypatch):
    monkeypatch.setattr(services, "_is_known", lambda account: account == "printroom")
    return Service(awkward, "desk", Manager.SYSTEMD, of_system=True, account="printroom")


def read_unit(service):
    parser = configparser.ConfigParser(interpolation=None, delimiters="=", strict=True)
    parser.optionxform = str
    parser.read_string(services.definition(service))
    return parser


def unquote(text):
    """As systemd.syntax(7) has it: quotes as in a shell, `%%` and in a command `$$` for one."""
    return [each.replace("%%", "%") for each in shlex.split(text)]


def test_the_command_survives_what_a_path_can_hold(session, awkward):
    unit = read_unit(session)
    words = unquote(unit["Service"]["ExecStart"].replace("$$", "$"))
    assert words == list(session.command)
    assert words[-1] == str(awkward.path)
    assert unquote(unit["Unit"]["RequiresMountsFor"]) == [str(awkward.path)]


def test_the_desk_is_opened_where_it_is_wanted(session):
    assert "--desk" not in session.command
    assert "--desk" in replace(session, with_desk=True).command


@pytest.mark.parametrize("slip", ["", "\n[colours]\ninks = 4\n"])
def test_a_machines_service_writes_into_its_folders_alone(machine, small, tmp_path, slip):  # noqa: F811
    """Also into those of a destination with a slip, which will be mended while it serves."""
    elsewhere = tmp_path / "share of prints"
    path = write_destination(small)
    path.write_text(f'{path.read_text()}\n[folders]\nresults = "{elsewhere}"\n{slip}')
    unit = read_unit(replace(machine, root=small))["Service"]
    assert unit["User"] == "printroom"
    assert unit["ProtectSystem"] == "strict"
    assert unquote(unit["ReadWritePaths"]) == [f"-{small.path}", f"-{elsewhere}"]
    assert unit["CapabilityBoundingSet"] == ""


def test_a_sessions_service_needs_no_namespaces(session):
    unit = read_unit(session)["Service"]
    assert "ProtectSystem" not in unit
    assert "User" not in unit


def test_a_root_in_a_folder_that_would_be_hidden_is_seen(machine, awkward, monkeypatch):
    monkeypatch.setattr(
        services, "find_writable", lambda _: [awkward.path.parents[-1] / "tmp" / "d"]
    )
    assert "PrivateTmp" not in read_unit(machine)["Service"]
    monkeypatch.setattr(
        services, "find_writable", lambda _: [awkward.path.parents[-1] / "srv" / "d"]
    )
    assert read_unit(machine)["Service"]["PrivateTmp"] == "yes"


def test_the_others_are_started_the_same_way(session, awkward):
    on_mac = plistlib.loads(services.definition(replace(session, manager=Manager.LAUNCHD)).encode())
    assert on_mac["ProgramArguments"] == list(session.command)
    text = services.definition(replace(session, manager=Manager.TASKS))
    name = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"
    arguments = ET.fromstring(text.replace("UTF-16", "UTF-8")).find(f".//{name}Arguments").text
    assert str(awkward.path).replace('"', '\\"') in arguments


@pytest.mark.parametrize("name", ["", "Desk", "a/b", "../x", "a b"])
def test_a_name_that_is_no_name_is_refused(session, name):
    with pytest.raises(SettingsError, match="lower-case words joined by hyphens"):
        services.write_definition(replace(session, name=name))


def test_the_service_of_another_root_is_left_alone(session, tmp_path):
    services.write_definition(session)
    other = Root(tmp_path / "other")
    other.path.mkdir()
    (other.path / "hotfolder.toml").write_text("")
    (other.path / "destinations").mkdir()
    before = session.file.read_bytes()
    with pytest.raises(SettingsError, match="serves another root; allowed: another name"):
        services.write_definition(replace(session, root=other))
    assert session.file.read_bytes() == before
    services.write_definition(session)  # its own is written anew


@pytest.mark.parametrize("account", ["", "stranger"])
def test_a_machines_service_needs_somebody_whose_it_is(machine, account):
    with pytest.raises(SettingsError, match="--as"):
        services.write_definition(replace(machine, account=account))


def test_a_manager_that_refuses_is_quoted():
    with pytest.raises(StorageError, match="false: it failed"):
        services.tell_manager([("false",)])
    with pytest.raises(StorageError, match="no-such-manager is not on this machine"):
        services.tell_manager([("no-such-manager", "start")])


def test_a_session_s_manager_that_is_not_reached_is_told_with_what_to_do(tmp_path, monkeypatch):
    asked = tmp_path / "systemctl"
    asked.write_text("#!/bin/sh\necho 'Failed to connect to bus: No medium found' >&2\nexit 1\n")
    asked.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path), prepend=":")
    with pytest.raises(StorageError, match="log in as that person"):
        services.tell_manager([("systemctl", "--user", "daemon-reload")])


def test_what_is_written_is_said_with_what_comes_next(session, awkward):
    run = CliRunner().invoke
    done = run(app, ["service", "install", str(awkward.path), "--only-write", "--name", "desk"])
    assert done.exit_code == 0, done.output
    assert f"wrote {session.file}" in done.output
    assert "systemctl --user enable hotfolder-desk" in done.output
    said = run(app, ["service", "status", str(awkward.path), "--name", "desk"]).output
    assert f"its definition is {session.file}" in said
    assert "it is not being served" in said
    assert "is not installed" in run(app, ["service", "remove", str(awkward.path)]).output


def test_the_last_lines_of_the_log_are_said_in_words(awkward):
    awkward.private.mkdir(exist_ok=True)
    events = [
        {"event": "daemon.started", "level": "info"},
        {"event": "job.claimed", "level": "info", "destination": "canvas", "file": "mud.tif"},
        {"event": "storage.trouble", "level": "error", "reason": "the disk is full"},
    ]
    lines = [json.dumps({**each, "timestamp": "2026-11-03T07:00:00Z"}) for each in events]
    awkward.log.write_text("\n".join([*lines, '{"event": "cut o']))
    said = CliRunner().invoke(app, ["service", "logs", str(awkward.path)]).output
    assert "arrived    canvas: mud.tif" in said
    assert "the disk is full" in said
    assert "daemon" not in said
    only = CliRunner().invoke(app, ["service", "logs", str(awkward.path), "--lines", "1"]).output
    assert "mud.tif" not in only
