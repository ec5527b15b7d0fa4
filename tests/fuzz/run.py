"""A guided run: inputs are mutated towards code that none has reached, and each is judged by its entry.

    PYTHONPATH=tests nice python -m fuzz.run --inputs 250000 [--work DIR] [ENTRY ...]
    PYTHONPATH=tests python -m fuzz.run --minute [--seconds 60]

Entries run one after the other, each in a process of its own. An input that breaks an invariant is written to
DIR/failures/ENTRY/, once for each place that raises, and the run goes on; the exit code is then 1. What reached new
code stays in DIR/inputs/ENTRY/: the next run goes on from there, and ``fuzz.replay`` reads it. ``DIR/counts.json`` adds
up what was tried on which state of the code. ``--minute`` tries all entries in turn for a minute in one process, in no
fixed order, from seeds and corpus; without atheris it mutates blindly.
"""

import argparse
import importlib
import os
import pkgutil
import sys
import tempfile
import time
from contextlib import nullcontext
from hashlib import sha256
from pathlib import Path
from typing import Any

try:
    import atheris
except ImportError:
    atheris = None

# rooms whose code guides; modules that are loaded when first used would escape
ROOMS = ("fields", "layers", "stack", "payload", "design", "capture", "room", "findings", "cli")

with atheris.instrument_imports(include=["lowpanbudget"]) if atheris else nullcontext():
    if "fuzz.run" in sys.orig_argv:
        for room in ROOMS:
            path = importlib.import_module(f"lowpanbudget.{room}").__path__
            for module in pkgutil.walk_packages(path, f"lowpanbudget.{room}."):
                if not module.name.startswith("lowpanbudget.capture.columns.compiled"):
                    importlib.import_module(module.name)
    from fuzz.campaign import Campaign, ended, start
    from fuzz.entries import ENTRIES
    from fuzz.minute import Minute, blindly
    from fuzz.seeds import kept, seeds


def fuzz(name: str, inputs: int, work: Path, seed: int) -> None:
    """Run one entry in this process, which ends with it."""
    folder = work / "inputs" / name
    folder.mkdir(parents=True, exist_ok=True)
    for octets in [*seeds(name), *kept(name)]:
        (folder / sha256(octets).hexdigest()[:16]).write_bytes(octets)
    campaign = Campaign(name, work)

    def take(data: bytes) -> None:
        campaign.take(data)
        if campaign.count >= inputs:
            campaign.report()
            os._exit(1 if campaign.failures else 0)  # the fuzzer does not return by itself

    guide(take, folder, work, seed, ENTRIES[name].longest)


def guide(take: Any, folder: Path, work: Path, seed: int, longest: int) -> None:
    options = [f"-seed={seed}", f"-max_len={longest}", "-print_final_stats=0", "-verbosity=0"]
    options += ["-timeout=120", "-rss_limit_mb=0", f"-artifact_prefix={work}/"]
    atheris.Setup([sys.argv[0], *options, str(folder)], take)
    atheris.Fuzz()


def minute(seconds: float, seed: int) -> int:
    """Try all entries for so long together, in this process; return the exit code, or end with it."""
    begin = time.monotonic()
    with tempfile.TemporaryDirectory() as place:
        work = Path(place)
        trying = Minute(work, begin + seconds)
        if atheris is None:
            print("unguided: atheris is not installed")
            return blindly(trying, seed)
        folder = work / "inputs"
        folder.mkdir()
        for number, octets in enumerate(trying.first()):
            (folder / str(number)).write_bytes(octets)

        def take(data: bytes) -> None:
            if not trying.take(data):
                os._exit(trying.report())

        guide(take, folder, work, seed, 1 + max(entry.longest for entry in ENTRIES.values()))
    return 0


def main() -> int:
    parser = argparse.ArgumentParser(description="Guided fuzzing of the entries.")
    parser.add_argument("entry", nargs="*", choices=[*ENTRIES, []], help="all when none is named")
    parser.add_argument("--inputs", type=int, default=250_000, help="for each entry")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--work", type=Path, default=Path("build/fuzz"))
    parser.add_argument("--minute", action="store_true", help="all entries for a minute together")
    parser.add_argument("--seconds", type=float, default=60, help="in place of a minute")
    chosen = parser.parse_args()
    if chosen.minute:
        return minute(chosen.seconds, chosen.seed)
    if atheris is None:
        parser.error("a guided run needs atheris: pip install -e '.[fuzz]'")
    names = chosen.entry or list(ENTRIES)
    if len(names) == 1:
        fuzz(names[0], chosen.inputs, chosen.work, chosen.seed)
    common = [f"--inputs={chosen.inputs}", f"--seed={chosen.seed}", f"--work={chosen.work}"]
    # each in a process of its own: the fuzzer takes it over and does not give it back
    return ended(start(name, common, sys.executable) for name in names)


if __name__ == "__main__":
    sys.exit(main())
