"""Faults planted one at a time, each judged by the tests that run the line it stands on, the quickest first.

    PYTHONPATH=tests nice python -m mutants.map                     which test runs which line: ten minutes, once
    PYTHONPATH=tests nice python -m mutants.run --sample 800        goes on where it was left; --again begins anew

A child process, made of one that has pytest loaded already and the package not yet, takes the changed module in place
of the file's, and runs the tests until one fails. A child that takes far too long has been caught as well: its limit is
that of processor time, so that a busy machine catches nobody.
"""

import argparse
import json
import os
import random
import resource
import signal
import sys
import time
import tomllib
from collections import Counter
from dataclasses import replace
from functools import partial
from hashlib import sha256
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, SourceFileLoader
from importlib.util import spec_from_file_location
from pathlib import Path
from types import CodeType
from typing import Any

import hypothesis
import pytest
from mutants.map import KEPT, Reach
from mutants.sites import Mutant, mutants_of
from trust.report import Report, Row, write

ROOT = Path(__file__).parents[2]
ROOMS = {
    "layers": ("layers",),
    "fields": ("fields",),
    "stack": ("stack",),
    "payload": (
        "payload/codec", "payload/kinds", "payload/message.py", "payload/exact.py", "payload/rounding.py",
        "payload/bitmap.py",
    ),
    "deployment": ("deployment",),
    "room": ("room",),
    "capture": ("capture",),
    "findings": ("findings",),
    "payload/forms": ("payload/forms",),
}  # fmt: skip
# tests of the whole program, for what the tests of a room let live
WHOLE = {
    "deployment": ("tests/contract/test_carry.py", "tests/contract/test_airtime.py", "tests/test_examples.py"),
    "payload": (
        "tests/contract/test_encodings.py", "tests/contract/test_generate.py", "tests/contract/test_formats.py",
    ),
    "room": ("tests/contract/test_design_commands.py", "tests/contract/test_sweep.py", "tests/test_examples.py"),
    "capture": ("tests/cli", "tests/test_public_captures.py"),
    "findings": ("tests/contract/test_findings.py", "tests/test_examples.py"),
}  # fmt: skip
LAST = "payload/forms"  # over and above the sample of the other rooms
LEAST = 60  # mutants of a room
QUICK_S, MOST_S = 4.0, 30.0  # processor time of the tests that are tried first, and of all
MOST_OCTETS = 4 << 30  # of memory, for a change that makes lists without end
EQUIVALENT = Path(__file__).with_name("equivalent.toml")
# what is loaded before pytest is has asserts that are not rewritten, and need not be
LATE = ("-W", "ignore::pytest.PytestAssertRewriteWarning")
ADDOPTS = "-p no:logging -p no:doctest -p no:legacypath -p no:cacheprovider -p no:xdist --import-mode=importlib"
NOTHING_RAN = 5  # what pytest returns where it found no test


def sample(many: int, seed: int) -> list[tuple[str, Mutant]]:
    """Return so many mutants with their rooms, of each room in proportion to what can be changed in it."""
    rooms = {room: list(all_of(parts)) for room, parts in ROOMS.items()}
    total = sum(len(mutants) for room, mutants in rooms.items() if room != LAST)
    chosen = []
    for room, mutants in rooms.items():
        count = max(LEAST, round(many * len(mutants) / total))
        chosen += [(room, one) for one in sorted(mutants, key=partial(_rank, seed))[:count]]
    return sorted(chosen, key=lambda one: _rank(seed, one[1]))


def _rank(seed: int, mutant: Mutant) -> bytes:
    """Return where a mutant stands in the order of a seed: an edit elsewhere moves no other."""
    return sha256(f"{seed} {mutant.key()} {mutant.put}".encode()).digest()


def all_of(parts: tuple[str, ...]) -> list[Mutant]:
    """Return every mutant of some folders and files of the package."""
    found = []
    for part in parts:
        path = ROOT / "lowpanbudget" / part
        for file in sorted(path.rglob("*.py")) if path.is_dir() else [path]:
            found += mutants_of(file, str(file.relative_to(ROOT)))
    return found


class ChangedSource(SourceFileLoader):
    """Loads a module from a changed source; nothing is kept of it."""

    def __init__(self, mutant: Mutant) -> None:
        path = ROOT / mutant.file
        name = mutant.file.removesuffix(".py").replace("/", ".").removesuffix(".__init__")
        super().__init__(name, str(path))
        self._source = mutant.source(path.read_text("utf-8"))

    def get_code(self, fullname: str) -> CodeType:
        """Return the changed code."""
        assert fullname == self.name
        return compile(self._source, self.path, "exec", dont_inherit=True)


class ChangedModule(MetaPathFinder):
    """Finds the one module that is changed."""

    def __init__(self, mutant: Mutant) -> None:
        self._loader = ChangedSource(mutant)

    def find_spec(self, fullname: str, _path: Any, _target: Any = None) -> ModuleSpec | None:
        """Return where it comes from."""
        loader = self._loader
        if fullname != loader.name:
            return None
        return spec_from_file_location(fullname, loader.path, loader=loader)


def judge(mutant: Mutant, tests: list[str], limit_s: float) -> str:
    """Return what some tests say of a mutant: "killed", "survived", "late", or "none" where nothing runs."""
    if not tests:
        return "none"
    child = os.fork()
    if not child:
        resource.setrlimit(resource.RLIMIT_CPU, (round(limit_s), round(limit_s)))
        resource.setrlimit(resource.RLIMIT_AS, (MOST_OCTETS, MOST_OCTETS))
        os._exit(_in_child(mutant, tests))
    end = time.monotonic() + 10 * limit_s  # others may have the processor, or it may wait for ever
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            code = os.waitstatus_to_exitcode(status)
            # others are failures, and files of tests that do not even load with it: see --control
            ends = {
                0: "survived",
                NOTHING_RAN: "none",
                -signal.SIGXCPU: "late",
                -signal.SIGKILL: "late",
            }
            return ends.get(code, "killed")
        time.sleep(0.01)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "late"


def _in_child(mutant: Mutant, tests: list[str]) -> int:
    os.setpgid(0, 0)
    quiet = os.open(os.environ.get("MUTANTS_LOG", os.devnull), os.O_RDWR | os.O_CREAT)
    for stream in (0, 1, 2):
        os.dup2(quiet, stream)
    sys.meta_path.insert(0, ChangedModule(mutant))
    # asked for by name: the tests load a profile of their own, which keeps what failed
    hypothesis.settings.register_profile("mutants", database=None, deadline=None)
    try:
        return int(
            pytest.main(
                [
                    "-x",
                    "-q",
                    "-o",
                    f"addopts={ADDOPTS}",
                    "--hypothesis-seed=0",
                    "--hypothesis-profile=mutants",
                    *LATE,
                    *tests,
                ]
            )
        )
    except BaseException:  # noqa: BLE001  # whatever a mutant does
        return 3


def tried(room: str, mutant: Mutant, reach: Reach, *, whole: bool) -> tuple[str, float]:
    """Return what became of a mutant, and the seconds it took."""
    begin = time.monotonic()
    first, rest = reach.tests(mutant.file, mutant.line, QUICK_S, MOST_S)
    verdict = judge(mutant, first, 10 + 4 * QUICK_S)
    if verdict == "survived" and rest:
        verdict = judge(mutant, rest, 30 + 4 * MOST_S)
    if verdict == "survived" and whole and room in WHOLE:
        verdict = judge(mutant, list(WHOLE[room]), 30 + 4 * MOST_S)
    return verdict, time.monotonic() - begin


def unchanged(mutant: Mutant) -> Mutant:
    """Return a mutant that changes nothing, where this one stands: whatever tests it, it has to live."""
    octets = (ROOT / mutant.file).read_bytes()
    return replace(mutant, put=octets[mutant.start : mutant.end].decode())


def shown_equivalent() -> dict[str, str]:
    """Return the reasons why some mutants are the same program, by key."""
    entries = tomllib.loads(EQUIVALENT.read_text("utf-8")).get("mutant", [])
    return {
        f"{one['file']} | {one['function']} | {one['was']} | {one['then']}": one["why"]
        for one in entries
    }


def told(results: dict[str, dict[str, Any]], command: str, seconds: float) -> Report:
    """Return the report of what was tried so far."""
    equal = shown_equivalent()
    rows, left = [], []
    for room in ROOMS:
        of_room = {key: one for key, one in results.items() if one["room"] == room}
        alive = [key for key, one in of_room.items() if one["verdict"] in ("survived", "none")]
        unshown = [key for key in alive if key not in equal]
        left += unshown
        killed = len(of_room) - len(alive)
        share = 100 * killed / max(killed + len(unshown), 1)
        figures: dict[str, int | float | str] = {
            "killed": killed, "shown_equivalent": len(alive) - len(unshown), "killed_percent": round(share, 1)
        }  # fmt: skip
        rows.append(Row(room, len(of_room), "mutants", len(unshown), figures))
    return Report("mutants", command, rows, [f"survives: {key}" for key in sorted(left)], seconds)


def main() -> None:
    """Try a sample."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--sample", type=int, default=800)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--part", default="1/1", help="of several processes this one: 1/2, 2/2")
    asked.add_argument(
        "--again",
        action="store_true",
        help="try those again that survived and are not shown equivalent",
    )
    asked.add_argument(
        "--control",
        type=int,
        default=0,
        help="so many of the sample with nothing changed: all of them live",
    )
    asked.add_argument(
        "--only", help="just those of the sample whose file, function or line has this in it"
    )
    asked.add_argument(
        "--tests", nargs="+", help="with --only: judged by these tests, and nothing is kept"
    )
    given = asked.parse_args()
    if given.control:
        chosen = random.Random(given.seed).sample(sample(given.sample, given.seed), given.control)
        reach = Reach.read()
        for room, mutant in chosen:
            print(tried(room, unchanged(mutant), reach, whole=False)[0], mutant.key(), flush=True)
        return
    if given.only is not None:
        for room, mutant in sample(given.sample, given.seed):
            if given.only in mutant.key():
                verdict = (
                    judge(mutant, given.tests, 600)
                    if given.tests
                    else tried(room, mutant, Reach.read(), whole=True)[0]
                )
                print(verdict, f"{mutant.file}:{mutant.line}", mutant.was, "->", mutant.then)
        return
    part, parts = map(int, given.part.split("/"))
    reach = Reach.read()
    kept = KEPT / f"results-{given.seed}.jsonl"
    results = {}
    for line in kept.read_text("utf-8").splitlines() if kept.exists() else ():
        one = json.loads(line)
        results[one["key"]] = one
    begin, equal = time.monotonic(), shown_equivalent()
    chosen = sample(given.sample, given.seed)
    for number, (room, mutant) in enumerate(chosen):
        key = mutant.key()
        known = results.get(key)
        if number % parts != part - 1 or (
            known
            and not (given.again and known["verdict"] in ("survived", "none") and key not in equal)
        ):
            continue
        verdict, took = tried(room, mutant, reach, whole=given.again)
        results[key] = {
            "key": key,
            "room": room,
            "line": mutant.line,
            "verdict": verdict,
            "took": round(took, 1),
        }
        with kept.open("a", encoding="utf-8") as file:
            file.write(json.dumps(results[key]) + "\n")
        print(
            number, verdict, round(took, 1), f"{mutant.file}:{mutant.line}", mutant.then, flush=True
        )
    keys = {mutant.key() for _, mutant in chosen}
    results = {key: one for key, one in results.items() if key in keys}
    print(Counter(one["verdict"] for one in results.values()))
    if parts == 1:
        took = sum(one["took"] for one in results.values())
        command = (
            f"PYTHONPATH=tests python -m mutants.run --sample {given.sample} --seed {given.seed}"
        )
        write(told(results, command, max(took, time.monotonic() - begin)))


if __name__ == "__main__":
    main()
