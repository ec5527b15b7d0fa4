"""Many formats as one program: their C, the requests to it, and its answers held against what was said of them."""

import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

from compiled import judge, stack
from compiled.schemas import message
from compiled.shared import SharedHelpers
from compiled.targets import Target
from payload.c_library import Abi, Structures, alike, written

from lowpanbudget.payload.c.source import Generated, generate

SELF_TESTED = 4  # each fourth has its self-test compiled
DRIVER = Path(__file__).with_name("driver.c")
# what a compiler calls by itself, hosted or not (gcc: "memcpy, memmove, memset and memcmp"), and arithmetic of its own
_OWN = re.compile(
    r"mem(cpy|move|set|cmp)|__aeabi_\w+|__(ashl|lshr|ashr|u?div|u?mod|mul|u?cmp)di[23]"
    r"|__(asan|ubsan)_\w+|__stack_chk_\w+|_GLOBAL_OFFSET_TABLE_|__gnu_thumb1_case_\w+|_(rest|save)gpr_\w+"
)
_ENTRY = """\
static int w{k}_pack(const void *m, uint8_t *o, size_t r, size_t *l) {{ return (int)m{k}_pack(m, o, r, l); }}
static int w{k}_unpack(void *m, const uint8_t *o, size_t l) {{ return (int)m{k}_unpack(m, o, l); }}
static int w{k}_prefix(void *m, const uint8_t *o, size_t l, size_t *u) {{ return (int)m{k}_unpack_prefix(m, o, l, u); }}
"""
_FORMAT = """\
struct format {
    size_t size;
    int (*pack)(const void *, uint8_t *, size_t, size_t *);
    int (*unpack)(void *, const uint8_t *, size_t);
    int (*unpack_prefix)(void *, const uint8_t *, size_t, size_t *);
    int (*self_test)(void);
};
"""


class Case(NamedTuple):
    """A request with what must come of it."""

    kind: str  # "S", "P" or "U"
    place: int  # of the format in its batch
    request: bytes
    expected: Any  # "S": the size; "P": octets, or the path of a field, or None for no room; "U": what is said
    told: Any = None  # values or octets, for people


@dataclass
class Batch:
    """Formats with consecutive numbers, planned once and compiled for many targets."""

    seed: int
    first: int
    count: int
    folder: Path
    plans: list[judge.Plan] = field(default_factory=list)
    files: list[Generated] = field(default_factory=list)
    cases: dict[Abi, list[Case]] = field(default_factory=dict)
    held: dict[Abi, list[Structures]] = field(default_factory=dict)
    answers: dict[Abi, bytes] = field(default_factory=dict)

    def prepare(self) -> None:
        """Draw the formats and their cases, and write their C."""
        self.folder.mkdir(parents=True, exist_ok=True)
        for index in range(self.count):
            number = self.first + index
            made = message(self.seed, number)
            self.plans.append(judge.planned(made, Random(f"{self.seed}/{number}/values")))
            files = generate(made, prefix=f"m{index}", floats=self.floats(index))
            written(files, self.folder)
            self.files.append(files)
        sources, shared, headers, rows, helpers = [], [], [], [], SharedHelpers()
        for k in range(self.count):
            tested = "" if k % SELF_TESTED else f"#define M{k}_SELF_TEST\n"
            sources.append(f'{tested}#include "m{k}.c"\n')
            shared.append(tested + helpers.source(self.files[k].source.text, f"m{k}"))
            headers.append(f'{tested}#include "m{k}.h"\n')
            test = f"m{k}_self_test" if tested else "NULL"
            rows.append(
                f"    {{sizeof(struct m{k}), w{k}_pack, w{k}_unpack, w{k}_prefix, {test}}},\n"
            )
        self.folder.joinpath("formats.c").write_text("".join(sources))
        self.folder.joinpath("shared.c").write_text("".join(shared))
        self.folder.joinpath("main.c").write_text(
            "".join(headers)
            + _FORMAT
            + "".join(_ENTRY.format(k=k) for k in range(self.count))
            + f"static const struct format formats[] = {{\n{''.join(rows)}}};\n"
            + f'#include "{DRIVER}"\n'
        )

    def floats(self, index: int) -> bool:
        """Return whether a format has floating point of C, as three of four do."""
        return (self.first + index) % 4 != 0

    def structures(self, abi: Abi) -> list[Structures]:
        """Return the structures of all formats on a processor."""
        if abi not in self.held:
            self.held[abi] = [
                Structures(plan.message, files.header.text, abi, floats=self.floats(index))
                for index, (plan, files) in enumerate(zip(self.plans, self.files, strict=True))
            ]
        return self.held[abi]

    def requests(self, abi: Abi) -> list[Case]:
        """Return all requests to the program, in order."""
        if abi not in self.cases:
            self.cases[abi] = [
                case
                for index, held in enumerate(self.structures(abi))
                for case in self._of(index, held)
            ]
        return self.cases[abi]

    def _of(self, index: int, held: Structures) -> Iterator[Case]:
        plan, random = self.plans[index], Random(f"{self.seed}/{self.first + index}/bent")
        yield Case(
            "S", index, b"S" + index.to_bytes(2, "little"), len(bytes(held.header.message()))
        )
        most = held.header.constant((), "MAX_OCTETS")
        for values, octets in plan.values:
            image = bytes(held.filled(values))
            yield _packing(index, most + random.randrange(3), image, octets, values)
            yield _packing(index, len(octets), image, octets, values)
            if octets:
                yield _packing(index, random.randrange(len(octets)), image, None, values)
        for _ in range(judge.BENT):
            made = judge.bent(plan, held, random)
            if made is None:
                break
            expected = made.path if made.octets is None else made.octets
            if not held.header.message.truths and made.values is not None and random.random() < 0.3:
                judge.refused_by_construct(plan, made.values, made.octets)
            yield _packing(index, most, bytes(made.structure), expected, made.values)
        for octets, verdict in plan.octets:
            request = b"U" + index.to_bytes(2, "little") + len(octets).to_bytes(4, "little")
            yield Case("U", index, request + octets, verdict, octets)

    def program(self, target: Target) -> Path:
        """Return the compiled program; what the compiler says is a ``RuntimeError``."""
        folder = self.folder / target.title.replace(" ", "_").replace(",", "")
        folder.mkdir(exist_ok=True)
        # what is optimised is each file as it is, for its stack; else functions that are alike are compiled once
        usage = ("-fstack-usage",) if target.optimised else ()
        objects = [folder / "formats.o"]
        self._compile(target, "formats.c" if target.optimised else "shared.c", objects[0], *usage)
        if target.runs:
            objects.append(folder / "main.o")
            sanitized = "-fsanitize=address,undefined" in target.flags
            self._compile(target, "main.c", objects[1], f"-DGUARD={0 if sanitized else 8}")
        if target.runs:
            linked = target.link(folder / "program", *objects)
            if linked.returncode:
                raise RuntimeError(f"{target.title}: {linked.stderr[:3000]}")
        return folder

    def _compile(self, target: Target, source: str, made: Path, *more: str) -> None:
        done = target.compile(self.folder / source, made, *more)
        if done.returncode or done.stderr:
            raise RuntimeError(f"{target.title}: {done.stderr[:3000]}")

    def stack(self, folder: Path) -> tuple[int, list[str]]:
        """Return the most octets of stack that a call takes, and what takes more than its header says."""
        used, most, wrong = stack.usage(folder / "formats.su"), 0, []
        for k, files in enumerate(self.files):
            for name, bound in zip(("pack", "unpack"), stack.told(files.header.text), strict=True):
                taken = stack.deepest(files.source.text, f"m{k}_{name}", used)
                most = max(most, taken)
                if taken > bound:
                    number = self.first + k
                    wrong.append(
                        f"{name} takes {taken} of {bound} octets: format {number}, seed {self.seed}"
                    )
        return most, wrong

    def compare(self, target: Target, folder: Path) -> list[str]:
        """Return how the program's answers differ from what was said."""
        cases = self.requests(target.abi)
        command = [*target.runner, str(folder / "program")]
        request = b"".join(case.request for case in cases)
        done = subprocess.run(command, input=request, capture_output=True, check=False)
        if done.returncode:
            done = subprocess.run(
                [*command, "trace"], input=request, capture_output=True, check=False
            )
            at = self._ended(cases, done.stdout, target.abi)
            return [f"{target.title}: {done.stderr.decode()[:3000]}\nat {self.tell(cases[at])}"]
        if self.answers.get(target.abi) == done.stdout:
            return []
        self.answers.setdefault(target.abi, done.stdout)
        wrong, source = [], Answers(done.stdout)
        for case in cases:
            fault = judged(case, source, self.structures(target.abi)[case.place])
            if fault:
                wrong.append(f"{target.title}: {fault}\nat {self.tell(case)}")
        return wrong

    def _ended(self, cases: list[Case], answered: bytes, abi: Abi) -> int:
        source = Answers(answered)
        for at, case in enumerate(cases):
            try:
                judged(case, source, self.structures(abi)[case.place])
            except EOFError:
                return at
        return len(cases) - 1

    def tell(self, case: Case) -> str:
        """Return what people need to make a case again."""
        told = case.told.hex() if isinstance(case.told, bytes) else case.told
        number = self.first + case.place
        return f"format {number} of seed {self.seed}, {case.kind}: {told}\n{self.plans[case.place].message}"


class Answers:
    """The answers of a program, read one by one."""

    def __init__(self, octets: bytes) -> None:
        self.octets = octets
        self.at = 0

    def take(self, count: int) -> bytes:
        """Return the next octets."""
        self.at += count
        if self.at > len(self.octets):
            raise EOFError
        return self.octets[self.at - count : self.at]

    def number(self, count: int) -> int:
        """Return the next number."""
        return int.from_bytes(self.take(count), "little")


def _packing(index: int, room: int, image: bytes, expected: Any, told: Any) -> Case:
    head = b"P" + index.to_bytes(2, "little") + room.to_bytes(4, "little")
    return Case("P", index, head + image, expected, told)


def judged(case: Case, source: Answers, held: Structures) -> str:
    """Return how an answer differs from what is expected; empty if it does not."""
    if case.kind == "S":
        size, failed = source.number(4), source.number(2)
        if size != case.expected:
            return f"the structure has {size} octets, expected {case.expected}"
        return f"vector {failed} of the self-test fails" if failed else ""
    result = source.number(2)
    name = held.header.results[result][0].removeprefix(f"{held.header.prefix}_")
    if case.kind == "P":
        return _packed(case.expected, name, result, source, held)
    prefix = source.number(2)
    used, image = (source.number(4), b"") if prefix == 0 else (0, b"")
    if prefix == 0:
        image = source.take(len(bytes(held.header.message())))
    return _unpacked(case.expected, (name, result, prefix), used, image, held)


def _packed(expected: Any, name: str, result: int, source: Answers, held: Structures) -> str:
    octets = source.take(source.number(4)) if result == 0 else None
    if expected is None:
        return "" if name == "NO_ROOM" else f"{name} where there is no room"
    if isinstance(expected, bytes):
        return (
            ""
            if octets == expected
            else f"{name} {octets.hex() if octets else ''}, expected {expected.hex()}"
        )
    if not name.startswith("BAD_"):
        return f"{name}, where Python refuses {expected}"
    if expected.startswith("?"):  # what a member holds is no value: any path that ends in its name
        return ""
    told = held.told(result)
    return "" if told == expected else f"{told} is said to be wrong, expected {expected}"


def _unpacked(
    verdict: judge.Said, results: tuple[str, int, int], used: int, image: bytes, held: Structures
) -> str:
    name, result, prefix = results
    shown = f"{name} ({result}, prefix {prefix}, {used} used), Python says {verdict}"
    if verdict.kind in {"right", "long"}:
        if (result != 0, name) != ((verdict.kind == "long"), "TOO_LONG" if result else "OK"):
            return shown
        if prefix != 0 or used != verdict.used:
            return shown
        read = held.read(held.header.message.from_buffer_copy(image))
        return "" if alike(judge.tidy(read), judge.tidy(verdict.values)) else f"{shown}, C {read}"
    if prefix != result:
        return shown
    if verdict.kind == "short":
        # Python looks for all fields of a run before it judges the first; C takes them one by one
        return "" if name == "TOO_SHORT" or name.startswith("BAD_") else shown
    if not name.startswith("BAD_") or held.told(result) != verdict.path:
        return f"{shown}; C says {held.told(result)}"
    return ""


def foreign(object_file: Path) -> set[str]:
    """Return the functions of a library that the generated code needs: none but what compilers call by themselves."""
    done = subprocess.run(
        ["nm", "-u", str(object_file)], capture_output=True, text=True, check=True
    )
    names = {line.split()[-1] for line in done.stdout.splitlines()}
    return {name for name in names if not _OWN.fullmatch(name)}
