"""A guided run: inputs are mutated towards code that none has reached, and each is judged by its entry.

    PYTHONPATH=tests nice python -m fuzz.run --inputs 250000 [--work DIR] [ENTRY ...]

Entries run one after the other, each in a process of its own. An input that breaks an invariant is written to
DIR/failures/ENTRY/, once for each place that raises, and the run goes on; the exit code is then 1. What reached new
code stays in DIR/inputs/ENTRY/: the next run goes on from there, and ``fuzz.replay`` reads it.
"""

import argparse
import importlib
import os
import pkgutil
import re
import subprocess
import sys
import time
import traceback
from collections import Counter
from hashlib import sha256
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["lowpanbudget"]):
    for package in ("lowpanbudget.layers", "lowpanbudget.stack"):
        # modules that are loaded when first used would escape
        for module in pkgutil.walk_packages(
            importlib.import_module(package).__path__, f"{package}."
        ):
            importlib.import_module(module.name)
    from fuzz.entries import ENTRIES, OUTCOMES
    from fuzz.seeds import kept, seeds

LONGEST = {"decode_frame": 300, "compress": 400, "Reassembler": 800}
SLOW_S = 0.25  # of processor time, several hundred times what a frame takes

PROGRESS = 50_000  # inputs between two words that it still runs


class Campaign:
    """One entry's run: counts inputs and failures, and ends the process after so many."""

    def __init__(self, entry: str, inputs: int, work: Path) -> None:
        self.entry, self.inputs, self.work = entry, inputs, work
        self.failures: Counter[str] = Counter()
        self.count = 0
        self.start = time.monotonic()
        self.slowest = 0.0

    def take(self, data: bytes) -> None:
        """Judge one input; called by the fuzzer."""
        self.count += 1
        before = time.process_time()
        try:
            ENTRIES[self.entry](data)
        except Exception as error:  # noqa: BLE001  # whatever escapes is what is looked for
            self.fail(data, error)
        spent = time.process_time() - before
        if spent > self.slowest:
            self.slowest = spent
            if spent > SLOW_S:
                self.save(data, f"slow-{spent:.2f}")
        if self.count % PROGRESS == 0:
            print(
                f"{self.entry}: {self.count} in {time.monotonic() - self.start:.0f} s", flush=True
            )
        if self.count >= self.inputs:
            self.report()
            os._exit(1 if self.failures else 0)  # the fuzzer does not return by itself

    def fail(self, data: bytes, error: Exception) -> None:
        steps = traceback.extract_tb(error.__traceback__)
        place = " < ".join(f"{Path(step.filename).stem}:{step.lineno}" for step in steps[:0:-1])
        name = f"{type(error).__name__} {place} {re.sub('[0-9]+', 'N', str(error))[:200]}"
        self.failures[name] += 1
        if self.failures[name] == 1:
            self.save(data, sha256(name.encode()).hexdigest()[:8])
            print(f"{name}: {error}\n  {data.hex()}", flush=True)

    def save(self, data: bytes, name: str) -> None:
        folder = self.work / "failures" / self.entry
        folder.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)

    def report(self) -> None:
        seconds = time.monotonic() - self.start
        print(f"{self.entry}: {self.count} inputs in {seconds:.0f} s, slowest {self.slowest:.3f} s")
        for outcome, number in OUTCOMES.most_common():
            print(f"  {number:8} {outcome}")
        print(f"  {sum(self.failures.values()):8} failures at {len(self.failures)} places")
        for place, number in self.failures.most_common():
            print(f"  {number:8} {place}")
        sys.stdout.flush()


def fuzz(entry: str, inputs: int, work: Path, seed: int) -> None:
    """Run one entry in this process, which ends with it."""
    folder = work / "inputs" / entry
    folder.mkdir(parents=True, exist_ok=True)
    for octets in [*seeds(entry), *kept(entry)]:
        (folder / sha256(octets).hexdigest()[:16]).write_bytes(octets)
    campaign = Campaign(entry, inputs, work)
    options = [f"-seed={seed}", f"-max_len={LONGEST.get(entry, 500)}", "-print_final_stats=0"]
    options += ["-verbosity=0", "-timeout=60", f"-artifact_prefix={work}/"]
    atheris.Setup([sys.argv[0], *options, str(folder)], campaign.take)
    atheris.Fuzz()


def main() -> int:
    parser = argparse.ArgumentParser(description="Guided fuzzing of the entries.")
    parser.add_argument("entry", nargs="*", choices=[*ENTRIES, []], help="all when none is named")
    parser.add_argument("--inputs", type=int, default=250_000, help="for each entry")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--work", type=Path, default=Path("build/fuzz"))
    chosen = parser.parse_args()
    names = chosen.entry or list(ENTRIES)
    if len(names) == 1:
        fuzz(names[0], chosen.inputs, chosen.work, chosen.seed)
    common = [f"--inputs={chosen.inputs}", f"--seed={chosen.seed}", f"--work={chosen.work}"]
    # each in a process of its own: the fuzzer takes it over and does not give it back
    ends = [
        subprocess.run([sys.executable, "-m", "fuzz.run", name, *common], check=False).returncode
        for name in names
    ]
    return max(map(abs, ends))


if __name__ == "__main__":
    sys.exit(main())
