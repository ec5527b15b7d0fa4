"""How much is tested: ``python tests/counts.py`` prints vectors, tests and examples, to compare before and after.

Vectors are the tables ``[[...]]`` of ``vectors``; tests are what pytest collects; examples are the greatest numbers
that Hypothesis may draw, summed over those tests.
"""

import sys
from pathlib import Path
from typing import Any

import pytest

TOP = Path(__file__).parents[1]


class Counts:
    """A plugin that counts what was collected."""

    def __init__(self) -> None:
        self.tests = self.examples = 0

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
    counts = Counts()
    code = pytest.main(["-n", "0", "--collect-only", "-qq", "--no-header", str(TOP)], [counts])
    print(f"{vectors()} vectors, {counts.tests} tests, {counts.examples} examples")
    sys.exit(code)
