"""Records what the program prints of all examples, and compares two such recordings.

    python tests/compare_outputs.py record DIR [--python PY] [--package TREE] [--only PATTERN]
    python tests/compare_outputs.py compare DIR_A DIR_B [--explained FILE] [--every]

``record`` runs each command in a process of PY (else this interpreter) on copies of the examples beside this script, so
that two versions see the same files. TREE is a checkout whose package is run in place of the installed one: a worktree
of an older commit needs no environment of its own.

``compare`` shows every kind of difference with its path (a JSON pointer, a line of a text), how often it is there, and
examples; ``--every`` shows each one. It ends with 1 when there is one that FILE does not explain. FILE is TOML:

    [[explained]]
    pattern = "*.annotate.json/frames/*/spans/*/meaning"   # output and path, each index a *
    sentence = "The meaning of a reserved bit is said."
"""

import argparse
import difflib
import fnmatch
import json
import os
import re
import shutil
import struct
import subprocess
import sys
import tempfile
import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
DESIGNS = ("archive", "footbridge")
CAPTURES = tuple(sorted(path.stem for path in EXAMPLES.glob("*.pcap")))
ON_CAPTURES = ("annotate", "audit", "measure", "survey")
ON_DESIGNS = ("budget", "fit", "encodings", "weigh")
ALONE = ("explain", "schema")
COLUMNS = "80"
SHOWN = 3  # examples of one kind of difference
INDEX = "index.json"
TERMS = ("terms.json", "terms.txt")  # what is explained of each term, in one process
DRIVER = """
import contextlib, io, json, sys
from lowpanbudget.cli.main import run

def told(*arguments):
    sys.argv, octets = ["lowpanbudget", *arguments], io.BytesIO()
    text = io.TextIOWrapper(octets, "utf-8", write_through=True)
    with contextlib.redirect_stdout(text), contextlib.suppress(SystemExit):
        run()
    text.flush()
    return octets.getvalue().decode()

groups = json.loads(told("explain", "--json")).values()
entries = [entry for group in groups if isinstance(group, list) for entry in group]
terms = [term for e in entries for term in ([e] if isinstance(e, str) else e["names"])]
if FORM == "json":
    print(json.dumps({term: json.loads(told("explain", term, "--json")) for term in terms}))
else:
    for term in terms:
        print(told("explain", term))
"""
LONG = 1000  # of lists: beyond it, items that are everywhere guide no pairing (it would take hours)


# --- recording --------------------------------------------------------------------------------------


def frames_in(capture: bytes) -> int:
    """Return the number of records of a little-endian pcap file: 24 octets of header, 16 before each record."""
    place, count = 24, 0
    while place < len(capture):
        place += 16 + struct.unpack_from("<I", capture, place + 8)[0]
        count += 1
    return count


def commands() -> Iterator[tuple[str, list[str]]]:
    """Yield the name of each output and the arguments that print it, as JSON and as text."""
    for name in DESIGNS:
        for command in ON_DESIGNS:
            yield f"{name}.{command}", [command, f"{name}.toml"]
    for name in CAPTURES:
        of = name.partition("-")[0]
        design = ["--design", f"{of}.toml", "--keys", f"{of}.keys.toml"]
        count = frames_in((EXAMPLES / f"{name}.pcap").read_bytes())
        every = [word for number in range(1, count + 1) for word in ("--frame", str(number))]
        for command in ON_CAPTURES:
            more = every if command == "annotate" else []
            yield f"{name}.{command}", [command, f"{name}.pcap", *design, *more]
    for command in ALONE:
        yield command, [command]


def outputs() -> Iterator[tuple[str, list[str]]]:
    """Yield the name of each output and what the interpreter is told to print it."""
    for name, arguments in commands():
        program = ["-m", "lowpanbudget", *arguments]
        yield f"{name}.json", [*program, "--json"]
        yield f"{name}.txt", program
    for name in TERMS:
        form = name.rpartition(".")[2]
        yield name, ["-c", f"FORM = {form!r}\n{DRIVER}"]


def record(folder: Path, python: str, package: Path | None, only: str) -> None:
    """Write each output to a file of ``folder``, and exit codes and messages to its index."""
    folder.mkdir(parents=True, exist_ok=True)
    environment = {
        name: value for name, value in os.environ.items()
        if name not in {"NO_COLOR", "FORCE_COLOR", "TERM", "LOWPANBUDGET_DEBUG", "PYTHONPATH"}
    } | {"COLUMNS": COLUMNS, "PYTHONIOENCODING": "utf-8"}  # fmt: skip
    if package is not None:
        environment["PYTHONPATH"] = str(package.resolve())
    chosen = [(name, arguments) for name, arguments in outputs() if fnmatch.fnmatch(name, only)]
    with tempfile.TemporaryDirectory() as place:
        for path in EXAMPLES.glob("*.*"):
            if path.is_file():
                shutil.copy(path, place)
        for path in Path(place).glob("*.keys.toml"):
            path.chmod(0o600)

        def run(task: tuple[str, list[str]]) -> tuple[str, dict[str, Any]]:
            name, arguments = task
            done = subprocess.run(
                [python, *arguments],
                capture_output=True, check=False, cwd=place, env=environment,
            )  # fmt: skip
            (folder / name).write_bytes(done.stdout)
            return name, {
                "exit": done.returncode,
                "messages": done.stderr.decode("utf-8", "replace").splitlines(),
            }

        with ThreadPoolExecutor(2) as pool:
            index = dict(pool.map(run, chosen))
    (folder / INDEX).write_text(json.dumps(index, indent=1, sort_keys=True), "utf-8")


# --- comparing --------------------------------------------------------------------------------------


class Difference(NamedTuple):
    """One difference: the output, the path in it, and what stands there in each recording; None for nothing."""

    output: str
    path: tuple[str | int, ...]
    before: str | None
    after: str | None

    @property
    def pointer(self) -> str:
        """Return the path as RFC 6901 writes it."""
        words = (str(step).replace("~", "~0").replace("/", "~1") for step in self.path)
        return "".join(f"/{step}" for step in words)

    @property
    def kind(self) -> tuple[str, str]:
        """Return what differences of one kind share: output and path without numbers, and what happened."""
        steps = ("*" if isinstance(step, int) else step for step in self.path)
        happened = "added" if self.before is None else "gone" if self.after is None else "changed"
        return self.output + "".join(f"/{step}" for step in steps), happened


def shown(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True)


def differences(
    output: str, path: tuple[str | int, ...], before: Any, after: Any
) -> Iterator[Difference]:
    """Yield where two values differ, as deep as they have the same shape."""
    if isinstance(before, dict) and isinstance(after, dict):
        for key in [*before, *(key for key in after if key not in before)]:
            if key not in after:
                yield Difference(output, (*path, key), shown(before[key]), None)
            elif key not in before:
                yield Difference(output, (*path, key), None, shown(after[key]))
            else:
                yield from differences(output, (*path, key), before[key], after[key])
    elif isinstance(before, list) and isinstance(after, list):
        yield from _of_lists(output, path, before, after)
    elif shown(before) != shown(after):
        yield Difference(output, path, shown(before), shown(after))


def _of_lists(
    output: str, path: tuple[str | int, ...], before: list[Any], after: list[Any]
) -> Iterator[Difference]:
    """Pair lists of one length item by item; else find what was put in or taken out."""
    if len(before) == len(after):
        for place, pair in enumerate(zip(before, after, strict=True)):
            yield from differences(output, (*path, place), *pair)
        return
    matcher = difflib.SequenceMatcher(
        None,
        [shown(one) for one in before],
        [shown(one) for one in after],
        autojunk=len(before) > LONG,
    )
    for what, start, end, other, last in matcher.get_opcodes():
        if what == "equal":
            continue
        both = min(end - start, last - other)
        for step in range(both):
            yield from differences(
                output, (*path, start + step), before[start + step], after[other + step]
            )
        for place in range(start + both, end):
            yield Difference(output, (*path, place), shown(before[place]), None)
        for place in range(other + both, last):
            yield Difference(output, (*path, place), None, shown(after[place]))


def read(folder: Path, name: str) -> Any:
    """Return an output: the value of a JSON text, the lines of another; None where there is none."""
    path = folder / name
    if not path.exists():
        return None
    text = path.read_text("utf-8")
    if name.endswith(".json"):
        try:
            return json.loads(text)
        except ValueError:
            pass  # an error's output is no JSON: its lines are compared
    return {"line": text.splitlines()}


def all_differences(before: Path, after: Path) -> Iterator[Difference]:
    """Yield the differences of two recordings, exit codes and messages first."""
    names = sorted({path.name for folder in (before, after) for path in folder.iterdir()})
    if INDEX not in names:
        raise SystemExit(f"neither {before} nor {after} is a recording")
    for name in [INDEX, *(name for name in names if name != INDEX)]:
        yield from differences(name, (), read(before, name), read(after, name))


def summary(
    found: Sequence[Difference], explained: Mapping[str, str], *, every: bool
) -> Iterator[str]:
    """Yield the lines that tell of the differences: those explained by their sentence, the others with examples."""
    groups: dict[tuple[str, str], list[Difference]] = {}
    for one in found:
        groups.setdefault(one.kind, []).append(one)
    told: Counter[str] = Counter()
    for (place, happened), members in sorted(groups.items(), key=lambda item: -len(item[1])):
        pattern = explanation(place, explained)
        if pattern is not None:
            told[pattern] += len(members)
            continue
        yield f"{len(members)} x {happened}: {place}"
        texts = Counter(_text(one) for one in members)
        first = {_text(one): one for one in reversed(members)}
        if every:
            yield from (f"    {one.output}#{one.pointer}: {_text(one)}" for one in members)
        else:
            for text, count in texts.most_common(SHOWN):
                yield f"    {count} x {text}, first at {first[text].pointer or '/'}"
            if len(texts) > SHOWN:
                yield f"    and {len(texts) - SHOWN} others (--every shows them)"
    for pattern, sentence in explained.items():
        yield f"explained, {told[pattern]} x {pattern}: {sentence}"


def explanation(place: str, explained: Mapping[str, str]) -> str | None:
    """Return the first pattern that matches this kind of difference."""
    return next((one for one in explained if fnmatch.fnmatchcase(place, one)), None)


def _text(one: Difference) -> str:
    before, after = (None if text is None else _short(text) for text in (one.before, one.after))
    if before is None:
        return f"+ {after}"
    return f"- {before}" if after is None else f"{before} -> {after}"


def _short(text: str) -> str:
    text = re.sub(r"\s+", " ", text)
    return text if len(text) <= 160 else f"{text[:150]}... ({len(text)} characters)"


def compare(before: Path, after: Path, file: Path | None, *, every: bool) -> int:
    """Print the differences and return the exit code: 1 when there is one without explanation."""
    entries = [] if file is None else tomllib.loads(file.read_text("utf-8"))["explained"]
    explained = {entry["pattern"]: entry["sentence"] for entry in entries}
    found = list(all_differences(before, after))
    for line in summary(found, explained, every=every):
        print(line)
    open_ones = sum(explanation(one.kind[0], explained) is None for one in found)
    print(f"{len(found)} differences, {open_ones} without explanation")
    return 1 if open_ones else 0


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    actions = parser.add_subparsers(dest="action", required=True)
    recording = actions.add_parser("record", help="record what the program prints")
    recording.add_argument("folder", type=Path)
    recording.add_argument("--python", default=sys.executable, help="the interpreter to run")
    recording.add_argument("--package", type=Path, help="a checkout whose package is run")
    recording.add_argument("--only", default="*", help="outputs whose name matches")
    comparing = actions.add_parser("compare", help="compare two recordings")
    comparing.add_argument("before", type=Path)
    comparing.add_argument("after", type=Path)
    comparing.add_argument("--explained", type=Path, help="a TOML file of explained differences")
    comparing.add_argument("--every", action="store_true", help="show each difference")
    told = parser.parse_args(arguments)
    if told.action == "record":
        record(told.folder, told.python, told.package, told.only)
        return 0
    return compare(told.before, told.after, told.explained, every=told.every)


if __name__ == "__main__":
    sys.exit(main())
