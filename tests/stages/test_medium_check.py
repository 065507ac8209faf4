"""Whether a medium that was not measured of late, or has drifted, holds a picture and says so."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from pydantic import ValidationError

from hotfolder import Hold, MediumStanding
from hotfolder.testing import make_job, make_spec, make_stage, run_stage
from hotfolder_stages.medium_check import MediumCheck

PIXELS = np.full((4, 4, 3), 30000, np.uint16)
DAY = 86400.0


def stood(days=3.0, **more):
    when = datetime.now(UTC) - timedelta(days=days)
    return MediumStanding(
        measured=f"{when:%Y-%m-%dT%H:%M:%SZ}",
        age_s=days * DAY,
        mean_delta_e_00=1.2,
        paper_delta_e_00=0.8,
        **more,
    )


def ran(standing, **settings):
    spec = make_spec(PIXELS)
    stage = make_stage(MediumCheck, settings)
    job = make_job(spec, "canvas", standing=standing)
    return run_stage(stage, PIXELS, spec, job=job), job


@pytest.mark.parametrize(
    ("standing", "says"),
    [
        (None, "Never measured"),
        (MediumStanding(), "Never measured"),
        (stood(31), "31 days ago"),
        (stood(1, profile_is_current=False), "Not measured with this profile"),
    ],
)
def test_what_was_not_verified_of_late_is_held_and_says_what_to_do(standing, says):
    with pytest.raises(Hold) as held:
        ran(standing, verified_within="30 d")
    assert "medium-not-verified" == held.value.code
    assert says in held.value.message
    assert "within 30 days" in held.value.message
    assert "measured/wall/" in held.value.message
    assert held.value.excess is None  # a day later it is not held anew


def test_it_may_warn_instead(tmp_path):
    _, job = ran(stood(40), verified_within="30 d", unverified="warn")
    assert ["medium-not-verified"] == [each.code for each in job.warnings]


def test_a_medium_that_was_measured_passes_with_its_numbers():
    standing = stood(29, within={"house": True})
    found, job = ran(standing, verified_within="30 d", hold_outside="house")
    assert (PIXELS == found.pixels).all()
    assert () == job.warnings
    assert {"age_days": 29.0, "mean_delta_e_00": 1.2, "alarm": False}.items() <= (
        found.findings.items()
    )


def test_a_medium_that_has_drifted_is_held_by_how_far():
    drifted = stood(drifted_delta_e_00=2.4, has_alarm=True, words="It is yellower.")
    with pytest.raises(Hold) as held:
        ran(drifted, hold_above_drift=2.0)
    assert "medium-drifted" == held.value.code
    assert held.value.excess == pytest.approx(1.2)
    assert "It is yellower." in held.value.message
    ran(drifted, hold_above_drift=2.5)


@pytest.mark.parametrize("within", [{"house": False}, {}])
def test_a_medium_outside_its_limits_is_held_beside_other_reasons(within):
    with pytest.raises(Hold) as held:
        ran(stood(40, within=within), verified_within="30 d", hold_outside="house")
    (also,) = held.value.also
    assert ("medium-not-verified", "medium-outside-limits") == (held.value.code, also.code)


def test_settings_that_check_nothing_are_doubted():
    stage = make_stage(MediumCheck, {})
    spec = make_spec(PIXELS)
    assert "nothing" in stage.settings.doubts(make_job(spec, "canvas").medium)["verified_within"]
    assert "screen" in stage.settings.doubts(make_job(spec, "screen").medium)["verified_within"]
    with pytest.raises(ValidationError):
        make_stage(MediumCheck, {"verified_within": 30})
