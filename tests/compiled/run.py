"""Random formats compiled: C, Python and construct held against each other on every compiler that is here.

    PYTHONPATH=tests nice python -m compiled.run --schemas 10000 --seed 1

runs the whole matrix: the first entry has all formats, the others have 2,000 (``--others``). ``--compiler``,
``--standard``, ``--sanitize``, ``--m32`` and ``--big-endian`` choose entries, which then have all formats. What differs
is told with the format and left in ``build/compiled/faults.txt``; the command ends with 1.
"""

import argparse
import multiprocessing
import os
import resource
import shutil
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Self

from compiled.batch import Batch, Case, foreign
from compiled.targets import I386, POWERPC, TARGETS, Target
from trust.report import Report, Row, write

TOGETHER = 125  # formats in one translation unit
BUILD = Path("build/compiled")


@dataclass
class Tried:
    """What came of a batch on one target."""

    title: str
    formats: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    seconds: float = 0.0
    stack: int = 0  # the most octets that a call has taken

    def added(self, before: Self | None) -> Self:
        """Return this together with what came before."""
        if before is not None:
            self.formats += before.formats
            self.counts += before.counts
            self.faults += before.faults
            self.seconds += before.seconds
            self.stack = max(self.stack, before.stack)
        return self


def tried(seed: int, first: int, count: int, targets: tuple[Target, ...]) -> list[Tried]:
    """Return what came of formats with consecutive numbers, first by construct and then by target."""
    folder = BUILD / f"{os.getpid()}"
    shutil.rmtree(folder, ignore_errors=True)
    batch = Batch(seed, first, count, folder.absolute())
    start = _used()
    batch.prepare()
    beside = Tried("construct and Python", count, seconds=_used() - start)
    found = [beside]
    for target in targets:
        start = _used()
        one = Tried(target.title, count)
        try:
            made = batch.program(target)
            one.faults += [
                f"{target.title}: it calls {name}" for name in foreign(made / "formats.o")
            ]
            if target.optimised:
                one.stack, wrong = batch.stack(made)
                one.faults += [f"{target.title}: {fault}" for fault in wrong]
            if target.runs:
                one.faults += batch.compare(target, made)
                one.counts += Counter(map(kind_of, batch.requests(target.abi)))
        except RuntimeError as fault:
            one.faults.append(str(fault))
        one.seconds = _used() - start
        found.append(one)
    beside.counts["values and octets"] = sum(plan.asked for plan in batch.plans)
    beside.faults += [
        f"{fault}\nformat {first + index} of seed {seed}: {plan.message}"
        for index, plan in enumerate(batch.plans)
        for fault in plan.faults
    ]
    shutil.rmtree(folder, ignore_errors=True)
    return found


def _portion(seed: int, portion: tuple[int, int, tuple[Target, ...]]) -> list[Tried]:
    return tried(seed, *portion)


def kind_of(case: Case) -> str:
    """Return what a case counts as in the report."""
    if case.kind == "S":
        return "structures"
    if case.kind == "U":
        return "octet_strings" if case.expected.kind == "right" else "octet_strings_refused"
    if case.expected is None:
        return "no_room"
    return "values" if isinstance(case.expected, bytes) else "values_refused"


def _used() -> float:
    """Return the seconds of a CPU that this process and those that it ended have used."""
    both = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(used.ru_utime + used.ru_stime for used in both)


def chosen(options: argparse.Namespace) -> list[Target]:
    """Return the entries of the matrix that were asked for."""
    asked: list[Callable[[Target], bool]] = []
    if options.compiler:
        asked.append(lambda target: target.family == options.compiler)
    if options.standard:
        asked.append(lambda target: target.standard == options.standard)
    if options.sanitize:
        asked.append(lambda target: target.sanitized)
    if options.m32:
        asked.append(lambda target: target.abi == I386)
    if options.big_endian:
        asked.append(lambda target: target.abi == POWERPC)
    return [target for target in TARGETS if all(test(target) for test in asked)]


def portions(
    options: argparse.Namespace, targets: list[Target]
) -> Iterator[tuple[int, int, tuple[Target, ...]]]:
    """Yield the batches: first number, how many, and the targets that have them."""
    many = options.schemas if len(targets) < len(TARGETS) else options.others
    each = max(
        1, options.schemas // max(1, many)
    )  # each so many-th portion goes through all entries
    for number, first in enumerate(range(0, options.schemas, TOGETHER)):
        count = min(TOGETHER, options.schemas - first)
        yield options.first + first, count, tuple(targets if number % each == 0 else targets[:1])


def parsed(words: list[str] | None) -> argparse.Namespace:
    """Return the options of the command."""
    parser = argparse.ArgumentParser(prog="compiled.run", description=__doc__.split("\n", 1)[0])
    parser.add_argument("--schemas", type=int, default=10_000)
    parser.add_argument(
        "--others", type=int, default=2_000, help="formats of all entries but the first"
    )
    parser.add_argument("--first", type=int, default=0, help="the number of the first format")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--compiler", choices=("gcc", "clang"))
    parser.add_argument("--standard", choices=("c99", "c11"))
    for name in ("sanitize", "m32", "big-endian"):
        parser.add_argument(f"--{name}", action="store_true")
    parser.add_argument("--report", default="", help="write tests/trust/reports/NAME.json")
    return parser.parse_args(words)


def main(words: list[str] | None = None) -> int:
    """Run what was asked for, and return the exit code."""
    options, start = parsed(words), time.time()
    wanted = chosen(options)
    here = [target for target in wanted if not target.missing]
    left = [f"{target.title} ({target.missing})" for target in wanted if target.missing]
    titles = ", ".join(target.title for target in here) or "none"
    told = f"found: {titles}; left out: {', '.join(left) or 'none'}"
    print(told, file=sys.stderr, flush=True)
    if not here:
        return 2
    sums: dict[str, Tried] = {}
    work = list(portions(options, here))
    # concurrent.futures waits for ever where its workers have had their last task (Python 3.11)
    with multiprocessing.get_context("spawn").Pool(options.jobs, maxtasksperchild=8) as pool:
        try:
            portion_of = partial(_portion, options.seed)
            for done, found in enumerate(pool.imap_unordered(portion_of, work), 1):
                for one in found:
                    sums[one.title] = one.added(sums.get(one.title))
                    for fault in one.faults:
                        print(fault[:2000], flush=True)
                wrong = sum(len(one.faults) for one in sums.values())
                progress = (
                    f"{done} of {len(work)} portions, {wrong} wrong, {time.time() - start:.0f} s"
                )
                print(progress, file=sys.stderr, flush=True)
                if options.report:  # also of a run that is cut short
                    _report(options, list(sums.values()), told, round(time.time() - start))
        except KeyboardInterrupt:  # the report says what was done
            pool.terminate()
    faults = [fault for one in sums.values() for fault in one.faults]
    BUILD.mkdir(parents=True, exist_ok=True)
    BUILD.joinpath("faults.txt").write_text("\n\n".join(faults))
    for row in map(row_of, sums.values()):
        print(f"{row.what}: {row.tried} {row.unit}, {row.wrong} wrong, {row.figures}")
    return 1 if faults else 0


def _report(options: argparse.Namespace, sums: list[Tried], told: str, seconds: int) -> None:
    numbers = f"--schemas {options.schemas} --first {options.first} --seed {options.seed}"
    command = f"PYTHONPATH=tests python -m compiled.run {numbers}"
    write(Report(options.report, command, [row_of(one) for one in sums], [told], seconds))


def row_of(one: Tried) -> Row:
    """Return the line of a report."""
    figures: dict[str, Any] = {name.replace(" ", "_"): count for name, count in one.counts.items()}
    if one.stack:
        figures["stack_octets"] = one.stack
    figures["cpu_seconds"] = round(one.seconds)
    return Row(one.title, one.formats, "schemas", len(one.faults), figures)


if __name__ == "__main__":
    sys.exit(main())
