"""Mutated pictures and profiles: a word on each, no crash, no hang, no file outside its place.

The long forms are `python tests/faults/fuzz.py`, which only reads, and
`python tests/faults/fuzz_jobs.py`, through the whole program; both keep the seed of every fault.
"""

from faults.fuzz import corpus, fuzz, mutated
from faults.fuzz_jobs import fuzz_jobs


def test_mutated_inputs_are_read_or_refused_and_nothing_else_happens():
    found = fuzz(seed=3, count=400)
    assert [] == found["faults"] == found["strays"]
    assert sum(found["ends"].values()) == 400
    kinds = {end.partition(":")[0] for end in found["ends"]}
    assert {name.split()[0] for name in corpus()} == kinds


def test_an_input_is_made_again_from_its_seed_and_number():
    files = corpus()
    assert mutated(files, 5, 17) == mutated(files, 5, 17)
    assert mutated(files, 5, 17) != mutated(files, 6, 17)


def test_mutated_inputs_and_tickets_go_through_the_whole_program_and_a_crash_is_told():
    def crash_at_one(root):
        root.plugins.mkdir(exist_ok=True)
        (root.plugins / "deadly.py").write_text(DEADLY)
        file = root.destinations / "prints.toml"
        file.write_text(file.read_text().replace('"preflight",', '"deadly", "preflight",'))

    found = fuzz_jobs(5, list(range(60)), lambda _: None, crash_at_one)
    ((number, what),) = (each.values() for each in found["faults"])
    assert 4 == number
    assert "ended by SIGABRT" in what
    assert [] == found["strays"]
    assert 60 == sum(found["ends"].values())
    kinds = {end.partition(":")[0] for end in found["ends"]}
    assert {"tiff", "jpeg", "icc", "ticket"} <= kinds
    assert len(kinds) >= 10


DEADLY = """
import os
from hotfolder import Stage
class Deadly(Stage):
    name = "deadly"
    def open(self, raster, job):
        if job.original.name.startswith("4."):
            os.abort()
        return raster
"""
