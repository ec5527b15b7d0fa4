"""What was tried, by row, and what was wrong: kept while a run goes on, and put into its report at the end."""

import time
from collections import Counter
from collections.abc import Iterable

from trust.report import Row

MOST_SHOWN = 400


class TimeIsUp(Exception):
    """A case has taken the time that it was given."""


class Result:
    """Counts of a run: ``tried`` and ``wrong`` by row, and the sentences that tell what was wrong."""

    def __init__(self) -> None:
        self.until = 0.0  # of the clock ``time.monotonic``; 0: as long as it takes
        self.tried: Counter[str] = Counter()
        self.wrong: Counter[str] = Counter()
        self.sentences: list[str] = []

    def count(self, row: str, what: str, faults: Iterable[str] = ()) -> None:
        """Count one trial; tell each of its faults at once."""
        if self.until and time.monotonic() > self.until:
            raise TimeIsUp
        self.tried[row] += 1
        told = list(faults)
        self.wrong[row] += bool(told)
        for fault in told:
            self.sentences.append(f"{row}: {what}: {fault}")
            if len(self.sentences) <= MOST_SHOWN:
                print(f"  WRONG {self.sentences[-1]}", flush=True)

    def __str__(self) -> str:
        return ", ".join(f"{row} {self.tried[row]} ({self.wrong[row]} wrong)" for row in self.tried)

    def rows(self, units: dict[str, str]) -> list[Row]:
        """Return the rows of a report, those of ``units`` in their order."""
        return [
            Row(row, self.tried[row], unit, self.wrong[row])
            for row, unit in units.items()
            if self.tried[row]
        ]
