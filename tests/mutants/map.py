"""Which test runs which line, found once by running the tests of the rooms, and kept beside the checkout.

PYTHONPATH=tests nice python -m mutants.map            all of them
PYTHONPATH=tests nice python -m mutants.map FILES      tests that were added since
"""

import json
import os
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Generator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import is_hypothesis_test, settings

ROOT = Path(__file__).parents[2]
KEPT = ROOT / ".mutants"  # no part of the repository
LINES, TIMES = KEPT / "lines", KEPT / "times.json"
TESTS = (
    "tests/layers", "tests/stack", "tests/payload", "tests/deployment", "tests/room", "tests/capture",
    "tests/findings", "tests/design", "tests/contract", "tests/test_public_captures.py", "tests/test_fields.py",
    "tests/test_stream.py", "tests/test_sizes.py", "tests/test_figures.py", "tests/test_values.py",
    "tests/test_bits.py", "tests/test_rows.py", "tests/test_public_codecs.py", "tests/test_public_headers.py",
    "tests/test_public_messages.py", "tests/test_fuzz_corpus.py",
)  # fmt: skip
SINGLE = 3  # tests; a line that fewer run may run only when its module is imported
FEW = 3  # files of tests that are loaded first
ROOMS = ("layers", "fields", "stack", "payload", "deployment", "room", "capture", "findings")


class Reach:
    """The tests that run each line of the package, and the processor time of each."""

    def __init__(self, lines: dict[str, dict[int, list[str]]], times: dict[str, float]) -> None:
        self._lines, self._times = lines, times

    @classmethod
    def read(cls) -> "Reach":
        """Return what was found and kept."""
        from coverage import CoverageData

        times = json.loads(TIMES.read_text("utf-8"))
        lines: dict[str, dict[int, list[str]]] = {}
        for kept in sorted(KEPT.glob("lines*")):
            data = CoverageData(str(kept))
            data.read()
            for file in data.measured_files():
                of_file = lines.setdefault(str(Path(file).relative_to(ROOT)), {})
                for line, tests in data.contexts_by_lineno(file).items():
                    found = of_file.setdefault(line, [])
                    found += [one for one in tests if one in times and one not in found]
        return cls(lines, times)

    def tests(
        self, file: str, line: int, quick_s: float, most_s: float
    ) -> tuple[list[str], list[str]]:
        """Return tests that run a line: some for ``quick_s`` seconds, of few files, and more of them up to ``most_s``.

        Of a line that runs when its module is imported (by no test, or by the first that needs it) they are also
        those of the module, of its room and of the contract: what a module only states is used without running it.
        """
        of_file = self._lines.get(file, {})
        room = file.removeprefix("lowpanbudget/").partition("/")[0]
        of_module = [one for some in of_file.values() for one in some]
        of_room = [
            one for one in self._times if one.startswith((f"tests/{room}/", "tests/contract/"))
        ]
        there = of_file.get(line, [])
        if len(there) < SINGLE:
            there = [*there, *of_module, *of_room]
        there = list(dict.fromkeys(there))
        there.sort(key=lambda test: self._times[test])
        many = Counter(test.partition("::")[0] for test in there)
        # each file of tests takes time to load; those of the room know most about it
        is_far = {name: not name.startswith(f"tests/{room}") for name in many}
        near = set(sorted(many, key=lambda name: (is_far[name], -many[name]))[:FEW])
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


class Followed:
    """A plugin that gives lines the name of the test that runs them, and notes the processor time of each.

    Names that coverage gives by itself are those of the innermost function called ``test``, which inside Hypothesis is
    its engine's, whatever the test. For the map a test of many examples shows few of them.
    """

    EXAMPLES = 25

    def __init__(self, name_lines: Callable[[str], object]) -> None:
        self._name_lines = name_lines
        self.spent: dict[str, float] = {}
        self._asked: dict[str, int] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        """Measure one case; all cases of a function have its name."""
        name = item.nodeid.partition("[")[0]
        examples = self._few(name, getattr(item, "obj", None))
        self._name_lines(name)
        begin = time.process_time()
        result = yield
        self._name_lines("")
        took = (time.process_time() - begin) * examples
        self.spent[name] = self.spent.get(name, 0.0) + took
        return result

    def _few(self, name: str, function: Any) -> float:
        """Return how many times as many examples a test asks for as it shows now."""
        if not is_hypothesis_test(function):
            return 1.0
        asked = function._hypothesis_internal_use_settings  # no public name does this
        most = self._asked.setdefault(name, asked.max_examples)
        few = min(most, self.EXAMPLES)
        function._hypothesis_internal_use_settings = settings(asked, max_examples=few)
        return most / few

    def pytest_sessionfinish(self) -> None:
        """Keep what was measured."""
        known = json.loads(TIMES.read_text("utf-8")) if TIMES.exists() else {}
        TIMES.write_text(json.dumps(known | self.spent), "utf-8")


if os.environ.get("MUTANTS_TIMES"):
    from coverage import Coverage

    running = Coverage.current()
    assert running is not None
    followed = Followed(running.switch_context)
    pytest_runtest_protocol = followed.pytest_runtest_protocol
    pytest_sessionfinish = followed.pytest_sessionfinish


def main() -> None:
    """Run the tests under coverage: all of the rooms, or those that are named and new."""
    KEPT.mkdir(exist_ok=True)
    tests = sys.argv[1:] or TESTS
    # two runs at a time keep apart what they write
    kept = KEPT / f"lines-{time.time_ns()}" if sys.argv[1:] else LINES
    rules = KEPT / f"rules-{os.getpid()}.ini"
    source = ",".join(f"lowpanbudget/{room}" for room in ROOMS)
    rules.write_text(f"[run]\nsource = {source}\ndata_file = {kept}\n", "utf-8")
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
        "-m",
        "",
    ]
    environment = os.environ | {"MUTANTS_TIMES": "1"}
    subprocess.run([*run, "-p", "mutants.map", *tests], cwd=ROOT, env=environment, check=True)


if __name__ == "__main__":
    main()
