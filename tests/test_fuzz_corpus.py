"""What guided fuzzing has learned, run again: every input of its corpus, and the seeds, keep the invariants."""

from itertools import islice
from pathlib import Path
from typing import Any

import pytest
from fuzz import campaign, seeds
from fuzz.entries import ENTRIES
from fuzz.minute import Minute
from fuzz.registry import KEYS, Entry, check_secrecy, written

MANY = 100_000  # inputs that are wanted of an entry whose inputs cost little
NAMES = tuple(ENTRIES)
SPARSE = 8  # of the others' seeds one of so many is run


@pytest.mark.long
@pytest.mark.parametrize("entry", ENTRIES)
def test_seeds_and_corpus_keep_the_invariants(entry: str) -> None:
    first = seeds.seeds(entry)
    inputs = [*first[:: 1 if ENTRIES[entry].inputs >= MANY else SPARSE], *seeds.kept(entry)]
    assert inputs
    for octets in inputs:
        try:
            ENTRIES[entry].judge(octets)
        except Exception as error:
            error.add_note(f"{entry}: {octets.hex()}")
            raise


def test_the_corpus_is_small_and_read_by_an_entry() -> None:
    assert {path.name for path in seeds.CORPUS.iterdir()} <= set(ENTRIES)
    sizes = [path.stat().st_size for path in seeds.CORPUS.rglob("*") if path.is_file()]
    assert sum(sizes) < 250_000


def test_a_campaign_counts_what_breaks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def judge(data: bytes) -> None:
        kept.append(bytearray(len(data) << 20))
        assert data != b"broken"

    kept: list[Any] = []
    monkeypatch.setitem(ENTRIES, "made up", Entry("made up", judge, 9, 1e9, 1, 3))
    monkeypatch.setattr(campaign, "WARM", 2)
    monkeypatch.setattr(campaign, "MEASURED", 4)
    run = campaign.Campaign("made up", tmp_path)
    for data in (b"", b"broken", b"broken", b"xx", b"fine"):
        run.take(data)
    run.keep()
    run.keep()
    assert {name.split()[0]: many for name, many in run.failures.items()} == {
        "AssertionError": 2, "MemoryError": 1,
    }  # fmt: skip
    (row,) = campaign.counts(tmp_path)["made up"].values()
    assert (row["guided"], row["failures"]) == (5, 3)
    saved = sorted(path.read_bytes() for path in (tmp_path / "failures" / "made up").iterdir())
    assert saved == [b"broken", b"xx"]


def test_a_minute_judges_each_input_by_its_entry(tmp_path: Path) -> None:
    minute = Minute(tmp_path, NAMES, float("inf"))
    first = list(minute.first())
    assert {octets[0] for octets in first} == set(range(len(NAMES)))
    coap = [octets for octets in first if NAMES[octets[0]] == "CoAP"]
    for octets in islice(coap, 5):
        assert minute.take(octets)
    assert [one.count for one in minute.campaigns if one.entry.name == "CoAP"] == [5]
    assert sum(one.count for one in minute.campaigns) == 5
    assert minute.report("in a test") == 0


@pytest.mark.parametrize("number", range(7))
def test_a_key_is_seen_however_it_is_written(number: int) -> None:
    text = f"Key({written(KEYS[0])[number]})"
    check_secrecy(text, KEYS[0])  # it came from the air
    with pytest.raises(AssertionError, match="a key is told"):
        check_secrecy(text, KEYS[0][1:])
