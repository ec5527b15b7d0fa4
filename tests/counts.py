"""How much is tested: ``python tests/counts.py`` prints vectors, tests and examples, to compare before and after.

Vectors are the tables ``[[...]]`` of ``vectors``; tests are what pytest collects, those marked ``long`` told apart;
examples are the greatest numbers that Hypothesis may draw, summed over those tests.
"""

import sys
from pathlib import Path
from typing import Any

import pytest

TOP = Path(__file__).parents[1]


class Counts:
    """A plugin that counts what was collected with a choice of marks."""

    def __init__(self, marks: str) -> None:
        self.tests = self.examples = 0
        self.code = pytest.main(
            ["-n", "0", "--collect-only", "-qq", "--no-header", "-m", marks, str(TOP)], [self]
        )

    def pytest_collection_finish(self, session: pytest.Session) -> None:
        for item in session.items:
            self.tests += 1
            function: Any = getattr(item, "obj", None)
            if getattr(function, "is_hypothesis_test", False):
                self.examples += function._hypothesis_internal_use_settings.max_examples


def vectors() -> int:
    """Return how many tables the vectors hold."""
    return sum(
        line.startswith("[[")
        for path in (TOP / "vectors").rglob("*.toml")
        for line in path.read_text(encoding="utf-8").splitlines()
    )


if __name__ == "__main__":
    usual, long = Counts("not long"), Counts("long")
    print(f"{vectors()} vectors")
    print(f"{usual.tests} tests, {usual.examples} examples")
    print(f"{long.tests} long tests, {long.examples} examples")
    sys.exit(usual.code or long.code)
