"""Which test runs which line, found once by running the tests of the rooms, and kept beside the checkout.

PYTHONPATH=tests nice python -m mutants.map
"""

import json
import os
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Generator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
KEPT = ROOT / ".mutants"  # no part of the repository
LINES, TIMES = KEPT / "lines", KEPT / "times.json"
TESTS = (
    "tests/layers", "tests/stack", "tests/payload", "tests/deployment", "tests/contract", "tests/test_fields.py",
    "tests/test_stream.py", "tests/test_sizes.py", "tests/test_figures.py", "tests/test_values.py",
    "tests/test_bits.py", "tests/test_rows.py", "tests/test_public_codecs.py", "tests/test_public_headers.py",
    "tests/test_public_messages.py", "tests/test_fuzz_corpus.py",
)  # fmt: skip
FEW = 3  # files of tests that are loaded first
ROOMS = ("layers", "fields", "stack", "payload", "deployment")


class Reach:
    """The tests that run each line of the package, and the processor time of each."""

    def __init__(self, lines: dict[str, dict[int, list[str]]], times: dict[str, float]) -> None:
        self._lines, self._times = lines, times

    @classmethod
    def read(cls) -> "Reach":
        """Return what was found and kept."""
        from coverage import CoverageData

        times = json.loads(TIMES.read_text("utf-8"))
        names: dict[str, list[str]] = {}
        for test in times:
            names.setdefault(_context(test), []).append(test)
        lines: dict[str, dict[int, list[str]]] = {}
        for kept in sorted(KEPT.glob("lines*")):
            data = CoverageData(str(kept))
            data.read()
            for file in data.measured_files():
                of_file = lines.setdefault(str(Path(file).relative_to(ROOT)), {})
                for line, contexts in data.contexts_by_lineno(file).items():
                    found = of_file.setdefault(line, [])
                    for context in contexts:
                        found += [one for one in names.get(_plain(context), ()) if one not in found]
        return cls(lines, times)

    def tests(
        self, file: str, line: int, quick_s: float, most_s: float
    ) -> tuple[list[str], list[str]]:
        """Return tests that run a line: some for ``quick_s`` seconds, of few files, and more of them up to ``most_s``.

        Of a line that runs when its module is imported they are those that run anything of the module.
        """
        of_file = self._lines.get(file, {})
        there = of_file.get(line) or list(
            dict.fromkeys(one for some in of_file.values() for one in some)
        )
        there.sort(key=lambda test: self._times[test])
        many = Counter(test.partition("::")[0] for test in there)
        near = {name for name, _ in many.most_common(FEW)}  # each file of tests takes time to load
        first: list[str] = []
        rest: list[str] = []
        spent = 0.0
        for test in sorted(there, key=lambda test: test.partition("::")[0] not in near):
            spent += self._times[test]
            is_near = test.partition("::")[0] in near
            if (is_near and spent <= quick_s) or not first:
                first.append(test)
            elif spent <= most_s:
                rest.append(test)
        return first, rest


def _context(test: str) -> str:
    """Return the name that coverage gives a test of this node id."""
    path, _, function = test.partition("::")
    return f"{Path(path).stem}.{function.replace('::', '.')}"


def _plain(context: str) -> str:
    """Return module and function of a context: its folders are left out."""
    parts = [one for one in context.split(".") if one not in ("accept", "<locals>")]
    return ".".join(parts[-2:])


class Times:
    """A plugin that notes the processor time of each test function, all its cases together."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        """Measure one case."""
        begin = time.process_time()
        result = yield
        name = item.nodeid.partition("[")[0]
        self.spent[name] = self.spent.get(name, 0.0) + time.process_time() - begin
        return result

    def pytest_sessionfinish(self) -> None:
        """Keep what was measured."""
        TIMES.write_text(json.dumps(self.spent), "utf-8")


if os.environ.get("MUTANTS_TIMES"):
    spent = Times()
    pytest_runtest_protocol = spent.pytest_runtest_protocol
    pytest_sessionfinish = spent.pytest_sessionfinish


def main() -> None:
    """Run the tests under coverage."""
    KEPT.mkdir(exist_ok=True)
    rules = KEPT / "rules.ini"
    source = ",".join(f"lowpanbudget/{room}" for room in ROOMS)
    rules.write_text(
        f"[run]\ndynamic_context = test_function\nsource = {source}\ndata_file = {LINES}\n", "utf-8"
    )
    run = [
        sys.executable,
        "-m",
        "coverage",
        "run",
        f"--rcfile={rules}",
        "-m",
        "pytest",
        "-n",
        "0",
        "-q",
    ]
    environment = os.environ | {"MUTANTS_TIMES": "1"}
    subprocess.run([*run, "-p", "mutants.map", *TESTS], cwd=ROOT, env=environment, check=True)


if __name__ == "__main__":
    main()
