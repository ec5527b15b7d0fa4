"""What runs have reached, run again: for coverage, and to keep the few inputs that reach it all.

    PYTHONPATH=tests nice coverage run --branch --source=lowpanbudget -m fuzz.replay [--work DIR]
    PYTHONPATH=tests nice python -m fuzz.replay --keep [--work DIR] [ENTRY ...]

``--keep`` writes to ``corpus/ENTRY/`` the inputs that go where neither a seed nor a shorter one goes.
"""

import argparse
import shutil
import sys
from collections.abc import Iterable
from hashlib import sha256
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

from fuzz.entries import ENTRIES
from fuzz.seeds import CORPUS, kept, seeds

PACKAGE = "lowpanbudget"
MOST_OCTETS = 8_000  # of an entry's corpus: a repository is no place for more
MOST_CANDIDATES = (
    400  # inputs of an entry that are followed step by step, the shortest: that takes long
)
Step = tuple[CodeType, int, int]


def steps(entry: str, octets: bytes) -> set[Step]:
    """Return the steps from line to line that an input takes through the package."""
    taken: set[Step] = set()
    previous: dict[FrameType, int] = {}

    def trace(frame: FrameType, event: str, _argument: object) -> Any:
        code = frame.f_code
        if f"/{PACKAGE}/" not in code.co_filename:
            return None
        if event == "line":
            taken.add((code, previous.get(frame, 0), frame.f_lineno))
            previous[frame] = frame.f_lineno
        elif event == "return":
            taken.add((code, previous.pop(frame, 0), -1))
        return trace

    sys.settrace(trace)
    try:
        ENTRIES[entry].judge(octets)
    finally:
        sys.settrace(None)
    return taken


def smallest(entry: str, inputs: Iterable[bytes]) -> list[bytes]:
    """Return the inputs that take a step which no seed and no shorter one takes."""
    known: set[Step] = set()
    for octets in seeds(entry):
        known |= steps(entry, octets)
    chosen: list[bytes] = []
    ordered = sorted(set(inputs), key=lambda octets: (len(octets), octets))
    for octets in ordered[:MOST_CANDIDATES]:
        new = steps(entry, octets) - known
        if new and sum(len(each) for each in chosen) + len(octets) <= MOST_OCTETS:
            known |= new
            chosen.append(octets)
    return chosen


def reached(entry: str, work: Path) -> list[bytes]:
    """Return all inputs there are: seeds, corpus, and those that runs have added in ``work``."""
    paths = sorted((work / "inputs" / entry).glob("*"))
    return [*seeds(entry), *kept(entry), *(path.read_bytes() for path in paths)]


def spread(inputs: list[bytes], most: int) -> list[bytes]:
    """Return so many of the inputs, spread over them."""
    return inputs[:: -(-len(inputs) // most)] if len(inputs) > most else inputs


def keep(entry: str, inputs: list[bytes]) -> None:
    chosen = smallest(entry, inputs)
    shutil.rmtree(CORPUS / entry, ignore_errors=True)
    (CORPUS / entry).mkdir(parents=True)
    for octets in chosen:
        (CORPUS / entry / sha256(octets).hexdigest()[:12]).write_bytes(octets)
    print(f"{entry}: {len(chosen)} inputs kept, {sum(map(len, chosen))} octets")


def main() -> int:
    parser = argparse.ArgumentParser(description="What runs have reached, run again.")
    parser.add_argument("entry", nargs="*", choices=[*ENTRIES, []], help="all when none is named")
    parser.add_argument("--work", type=Path, default=Path("build/fuzz"))
    parser.add_argument("--most", type=int, default=1 << 30, help="inputs of each entry")
    parser.add_argument("--keep", action="store_true", help="renew the corpus")
    chosen = parser.parse_args()
    names = chosen.entry or list(ENTRIES)
    inputs = {name: reached(name, chosen.work) for name in names}
    if chosen.keep:
        for name in names:
            keep(name, inputs[name])
        return 0
    for name in names:
        for octets in spread(inputs[name], chosen.most):
            ENTRIES[name].judge(octets)
        print(f"{name}: {len(inputs[name])} inputs")
    return 0


if __name__ == "__main__":
    sys.exit(main())
