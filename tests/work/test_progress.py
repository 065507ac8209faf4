"""How far a job is, as the pipeline tells it, and how long it will still take."""

import pytest

from hotfolder.overview.waiting import estimate_left


@pytest.mark.parametrize(
    ("so_far_s", "share", "said"),
    [
        (60, 0.5, "about 1 min"),
        (600, 0.25, "about 30 min"),
        (7200, 0.5, "about 2 h 0 min"),
        (20, 0.9, "less than a minute"),
        (3, 0.5, ""),
        (600, 0.01, ""),
    ],
)
def test_the_estimate_follows_from_the_share_done(so_far_s, share, said):
    assert said == estimate_left(so_far_s, share)
