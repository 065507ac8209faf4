"""The promise of README.md, clause by clause, and the tables of faults: tests that exist."""

import re
from pathlib import Path

TOP = Path(__file__).parents[2]
PROMISE = (
    "Every file that arrived ends exactly once as delivered, held or refused, with its original "
    "kept, whatever is killed, full, broken\nor hostile; no result ever appears incomplete or "
    "twice; no file reaches outside its folders; and what cannot be promised is said.\n"
)

CLAUSES = {
    "Every file that arrived ends exactly once as delivered, held or refused": [
        "test_a_kill_at_any_act_loses_nothing_and_delivers_nothing_twice",
        "test_a_fault_at_any_act_loses_nothing_and_does_nothing_twice",
        "test_power_lost_at_any_act_loses_nothing_and_does_nothing_twice",
    ],
    "with its original kept": ["test_the_books_are_right_when_nobody_kills"],
    "whatever is killed, full, broken or hostile": [
        "test_a_kill_during_recovery_is_recovered_too",
        "test_a_full_disk_of_results_is_said_once_and_the_work_goes_on_when_there_is_room",
        "test_a_ledger_lost_at_any_act_loses_no_file_and_delivers_none_twice",
        "test_mutated_inputs_are_read_or_refused_and_nothing_else_happens",
    ],
    "no result ever appears incomplete or twice": [
        "test_a_new_file_is_flushed_before_it_has_its_name_and_the_name_after",
        "test_a_consumer_who_collects_at_once_gets_the_result_once",
        "test_a_flush_left_out_turns_the_matrix_red",
    ],
    "no file reaches outside its folders": [
        "test_a_folder_swapped_for_a_link_at_any_moment_never_leads_outside",
        "test_no_relative_path_leads_outside",
    ],
    "and what cannot be promised is said": [
        "test_what_cannot_be_promised_follows_the_promise",
    ],
}


def all_tests():
    return {
        name
        for path in (TOP / "tests").rglob("test_*.py")
        for name in re.findall(r"^def (test_\w+)", path.read_text(), re.MULTILINE)
    }


def test_the_promise_stands_in_the_readme_word_for_word():
    assert PROMISE in (TOP / "README.md").read_text()


def test_every_clause_of_the_promise_has_tests_that_exist():
    words = " ".join(PROMISE.split())
    assert [clause for clause in CLAUSES if clause not in words] == []
    tests = all_tests()
    named = [name for names in CLAUSES.values() for name in names]
    assert [name for name in named if name not in tests] == []
    left = words
    for clause in CLAUSES:
        left = left.replace(clause, "")
    assert re.sub(r"[,;. ]", "", left) == ""


def test_what_cannot_be_promised_follows_the_promise():
    after = (TOP / "README.md").read_text().partition(PROMISE)[2]
    assert after.startswith("\nWhat cannot be promised: ")


def test_every_test_that_the_table_of_faults_points_to_exists():
    named = re.findall(r"`(test_\w+)`", Path(__file__).with_name("README.md").read_text())
    assert len(named) > 60
    tests = all_tests()
    assert sorted({name for name in named if name not in tests}) == []
