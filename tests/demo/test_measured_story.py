"""The story of a canvas that yellows: alarm with the right print and cause, new profile, calm."""

from datetime import UTC, datetime

from hotfolder.audit.books import open_books
from hotfolder.measured.limits import load_limits
from hotfolder.overview.measured_page import collect_page, make_page
from hotfolder.settings.root import Root
from hotfolder_demo.measured_story import CALM_DAYS, NAME, tell_story

END = datetime(2026, 11, 28, 12, tzinfo=UTC)


def test_the_story_has_its_alarm_and_is_calm_with_a_new_profile(root):
    told = tell_story(root, END)
    alarms = [each.has_alarm for each in told.verdicts]
    first = alarms.index(True)
    assert CALM_DAYS < first < CALM_DAYS + 14
    raised = told.verdicts[first]
    since = {each.since for each in raised.drift.values() if each.alarm}
    days = [each.file for each in told.verdicts]
    assert all(CALM_DAYS - 1 <= days.index(each) <= CALM_DAYS + 5 for each in since)
    assert "yellower" in raised.words[0]
    assert "batch" in raised.words[0]
    after = [each for each in told.verdicts if each.chart == 2]
    assert told.first_after == after[0].file
    assert not any(each.has_alarm for each in after)
    assert all(each.within["house"] for each in after)


def test_the_page_shows_it(root):
    told = tell_story(root, END, to_its_end=False)
    from hotfolder.measured.control_strip import recall_strip

    strip = recall_strip(root, NAME, told.verdicts[-1].strip)
    (root.ledger.parent).mkdir(exist_ok=True)
    with open_books(Root(root.path)) as db:
        found = collect_page(
            "Canvas", told.verdicts, strip, load_limits(root), db,
            make_strip="hotfolder strip", is_current=True,
        )  # fmt: skip
    page = make_page(found)
    assert "b* of the paper" in page
    assert "Alarm: +" in page
    assert "No picture was delivered since." in page
    assert page.count("<circle") == 9 * len(told.verdicts)
    assert page.count('viewBox="0 0 60 40"') == len(strip.patches)
    assert "<script" not in page
