"""What a run counts: inputs, ends, failures by the place that raises, the slowest input and the memory of some."""

import json
import re
import subprocess
import time
import traceback
import tracemalloc
from collections import Counter
from collections.abc import Iterable
from contextlib import suppress
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

from fuzz.registry import ENTRIES, OUTCOMES

TOP = Path(__file__).parents[2]
PROGRESS = (
    10_000  # inputs between two words that it still runs; what was counted until then is kept
)
MEASURED = 509  # one input of so many is run with its memory measured
WARM = 2_000  # inputs before that: modules are loaded and tables filled meanwhile


@cache
def state_of_code() -> str:
    """Return the name of what is tested: the tree of the package as it stands in the working copy."""
    paths = sorted((TOP / "lowpanbudget").rglob("*.py"))
    whole = sha256(b"".join(path.read_bytes() for path in paths))
    return whole.hexdigest()[:12]


class Campaign:
    """One entry's run over so many inputs, or for so many seconds."""

    def __init__(self, name: str, work: Path, *, guided: bool = True) -> None:
        self.entry, self.work = ENTRIES[name], work
        self.kind = "guided" if guided else "blind"
        self.failures: Counter[str] = Counter()
        self.count = self.kept = self.kept_failures = 0
        self.start = time.monotonic()
        self.slowest = self.peak_mb = 0.0
        self.code = state_of_code()
        self.before = sum(row.get(self.kind, 0) for row in counts(work).get(name, {}).values())

    def take(self, data: bytes) -> None:
        """Judge one input; whatever it raises is counted as a failure."""
        self.count += 1
        before = time.process_time()
        try:
            if self.count > WARM and self.count % MEASURED == 0:
                self._measured(data)
                before = time.process_time()
            else:
                self.entry.judge(data)
        except Exception as error:  # noqa: BLE001  # whatever escapes is what is looked for
            self._fail(data, error)
        spent = time.process_time() - before
        if spent > self.slowest:
            # what else the process does now and then (collecting garbage, loading) is no fault of the input
            spent = min(spent, self._spent(data))
            self.slowest = max(self.slowest, spent)
            if spent > self.entry.slow_s:
                self._fail(data, TimeoutError(f"{spent:.2f} s"))
        if self.count % PROGRESS == 0:
            seconds = time.monotonic() - self.start
            print(f"{self.entry.name}: {self.count} in {seconds:.0f} s", flush=True)
            self.keep()

    def _spent(self, data: bytes) -> float:
        before = time.process_time()
        with suppress(Exception):  # was counted
            self.entry.judge(data)
        return time.process_time() - before

    def _measured(self, data: bytes) -> None:
        tracemalloc.start(1)
        try:
            self.entry.judge(data)
            peak = tracemalloc.get_traced_memory()[1] / 1e6
        finally:
            tracemalloc.stop()
        self.peak_mb = max(self.peak_mb, peak)
        if peak > self.entry.most_mb:
            raise MemoryError(f"{peak:.1f} MB for {len(data)} octets")

    def _fail(self, data: bytes, error: Exception) -> None:
        steps = traceback.extract_tb(error.__traceback__)
        place = " < ".join(f"{Path(step.filename).stem}:{step.lineno}" for step in steps[:0:-1])
        name = f"{type(error).__name__} {place} {re.sub('[0-9]+', 'N', str(error))[:200]}"
        self.failures[name] += 1
        if self.failures[name] == 1:
            folder = self.work / "failures" / self.entry.name
            folder.mkdir(parents=True, exist_ok=True)
            (folder / sha256(name.encode()).hexdigest()[:8]).write_bytes(data)
            print(f"{self.entry.name}: {name}: {error}\n  {data.hex()}", flush=True)

    def keep(self) -> None:
        """Add what was counted since the last time to what runs on this code have counted."""
        path = self.work / "counts.json"
        counted = counts(self.work)
        row = counted.setdefault(self.entry.name, {}).setdefault(self.code, {})
        row[self.kind] = row.get(self.kind, 0) + self.count - self.kept
        row["slowest_ms"] = max(row.get("slowest_ms", 0.0), round(self.slowest * 1000, 1))
        row["peak_mb"] = max(row.get("peak_mb", 0.0), round(self.peak_mb, 2))
        failures = sum(self.failures.values())
        row["failures"] = row.get("failures", 0) + failures - self.kept_failures
        self.kept, self.kept_failures = self.count, failures
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(".part")
        part.write_text(json.dumps(counted, indent=1), "utf-8")
        part.replace(path)

    def report(self) -> None:
        """Print how it went."""
        self.keep()
        seconds = time.monotonic() - self.start
        print(
            f"{self.entry.name}: {self.count} inputs in {seconds:.0f} s, slowest {self.slowest:.3f} s"
        )
        for outcome, number in OUTCOMES.most_common():
            print(f"  {number:8} {outcome}")
        tell_failures(self.failures)


def tell_failures(failures: Counter[str]) -> None:
    print(f"  {sum(failures.values()):8} failures at {len(failures)} places")
    for place, number in failures.most_common():
        print(f"  {number:8} {place}", flush=True)


def counts(work: Path) -> dict[str, dict[str, dict[str, Any]]]:
    """Return what all runs in this folder have counted, by entry and by the code that was run."""
    try:
        found: dict[str, dict[str, dict[str, Any]]] = json.loads(
            (work / "counts.json").read_text("utf-8")
        )
    except FileNotFoundError:
        return {}
    return found


def ended(codes: Iterable[int]) -> int:
    """Return the exit code of a run whose processes ended so."""
    return max((abs(code) for code in codes), default=0)


def start(name: str, common: list[str], program: str) -> int:
    """Run an entry, or what the arguments say, in a process of its own; return how it ended."""
    command = [program, "-m", "fuzz.run", *([name] if name else []), *common]
    return subprocess.run(command, check=False).returncode
