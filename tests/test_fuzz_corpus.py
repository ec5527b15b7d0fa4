"""What guided fuzzing has learned, run again: every input of its corpus, and the seeds, keep the invariants."""

import pytest
from fuzz import seeds
from fuzz.entries import ENTRIES


@pytest.mark.parametrize("entry", ENTRIES)
def test_seeds_and_corpus_keep_the_invariants(entry: str) -> None:
    inputs = [*seeds.seeds(entry), *seeds.kept(entry)]
    assert len(seeds.kept(entry)) > 10
    for octets in inputs:
        try:
            ENTRIES[entry].judge(octets)
        except Exception as error:
            error.add_note(f"{entry}: {octets.hex()}")
            raise


def test_the_corpus_is_small_and_read_by_an_entry() -> None:
    assert {path.name for path in seeds.CORPUS.iterdir()} == set(ENTRIES)
    sizes = [path.stat().st_size for path in seeds.CORPUS.rglob("*") if path.is_file()]
    assert sum(sizes) < 100_000
