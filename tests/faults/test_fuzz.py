"""Mutated pictures and profiles: a word on each, no crash, no hang, no file outside its place.

The long form is `python tests/faults/fuzz.py`, which keeps the seed of every fault.
"""

from faults.fuzz import corpus, fuzz, mutated


def test_mutated_inputs_are_read_or_refused_and_nothing_else_happens():
    found = fuzz(seed=3, count=400)
    assert [] == found["faults"] == found["strays"]
    assert sum(found["ends"].values()) == 400
    kinds = {end.partition(":")[0] for end in found["ends"]}
    assert {"tiff", "jpeg", "png", "icc", "bigtiff"} <= kinds


def test_an_input_is_made_again_from_its_seed_and_number():
    files = corpus()
    assert mutated(files, 5, 17) == mutated(files, 5, 17)
    assert mutated(files, 5, 17) != mutated(files, 6, 17)
