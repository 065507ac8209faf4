"""Records: strict JSON, valid against the schema that `hotfolder schema` prints."""

import json
from datetime import UTC, datetime

import jsonschema
import pytest
from pydantic import ValidationError

from hotfolder.model.records import (
    OriginalRecord,
    Reason,
    Record,
    make_record_schema,
    read_record,
    to_json_line,
)


def record(**changes):
    values = {
        "job": "20260102-030405-00aa11bb",
        "destination": "fine-art-canvas",
        "state": "held",
        "source": "harbour/mud.tif",
        "original_kept": "/r/held/fine-art-canvas/j/mud.tif",
        "attempts": 1,
        "arrived": datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC),
        "finished": datetime(2026, 1, 2, 3, 4, 6, 500_000, tzinfo=UTC),
        "original": OriginalRecord(name="mud.tif", sha256="0" * 64, bytes=5),
        "reasons": (Reason(stage="gamut-check", code="gamut-loss", message="6 % is lost"),),
        "findings": {"gamut-check": {"out_of_gamut_share": 0.06}},
    }
    return Record(**{**values, **changes})


def test_a_record_is_one_line_of_ascii_json_that_the_schema_accepts():
    line = to_json_line(record(source="é\n\x1b[2J.tif"))
    assert line.endswith(b"\n")
    assert line.count(b"\n") == 1
    line.decode("ascii")
    jsonschema.Draft202012Validator(make_record_schema()).validate(json.loads(line))


def test_times_are_utc_to_the_millisecond_with_a_z():
    document = json.loads(to_json_line(record()))
    assert ("2026-01-02T03:04:05.000Z", "2026-01-02T03:04:06.500Z") == (
        document["arrived"],
        document["finished"],
    )


@pytest.mark.parametrize(
    "changes", [{"state": "lost"}, {"findings": {"a": {"b": float("nan")}}}, {"colour": "red"}]
)
def test_what_is_no_record_is_refused(changes):
    with pytest.raises(ValidationError):
        record(**changes)


def test_a_record_survives_a_round_trip():
    assert Record.model_validate_json(to_json_line(record())) == record()


def test_a_record_whose_path_is_no_text_is_read_again():
    made = record(original_kept="/r/h\udcff/mud.tif")
    assert made == read_record(to_json_line(made))


@pytest.mark.parametrize("text", [b"", b"{", b"[]", b'{"job": "old"}'])
def test_what_is_no_record_is_a_value_error(text):
    with pytest.raises(ValueError):
        read_record(text)
