"""A guided run: inputs are mutated towards code that none has reached, and each is judged by its entry.

    PYTHONPATH=tests nice python -m fuzz.run --inputs 250000 [--work DIR] [ENTRY ...]
    PYTHONPATH=tests nice python -m fuzz.run --blind --inputs 1000000 [--work DIR] [ENTRY ...]
    PYTHONPATH=tests python -m fuzz.run --minute [--seconds 60]
    PYTHONPATH=tests python -m fuzz.run --minute --blind --part 1/2 --most 20000

Entries run one after the other, each in a process of its own. An input that breaks an invariant is written to
DIR/failures/ENTRY/, once for each place that raises, and the run goes on; the exit code is then 1. What reached new
code stays in DIR/inputs/ENTRY/: the next run goes on from there, and ``fuzz.replay`` reads it. ``DIR/counts.json`` adds
up what was tried on which state of the code.

``--blind`` mutates what guided runs have learned without a guide, at a tenth of the cost of an input: first guide, then
go on for long blindly. ``--minute`` tries all entries in turn for half a minute without a guide, and the cheap ones
for another half guided, from seeds and corpus; without atheris it is unguided for the whole minute. Blind minutes try
the same inputs in the same order every time, at most ``--most`` of them: so the gate runs two at a time, each with half
of the entries (``--part``).
"""

import argparse
import importlib
import os
import pkgutil
import random
import sys
import tempfile
from contextlib import nullcontext
from hashlib import sha256
from pathlib import Path
from typing import Any

try:
    import atheris
except ImportError:
    atheris = None

# the rooms whose code guides, by the first word of an entry: the more there are, the more each input costs
ROOMS = {
    "CoAP": ("layers.internet.coap", "fields"),
    "DTLS": ("layers.internet.dtls",),
    "OSCORE": ("layers.internet.oscore", "layers.internet.coap"),
    "byte": ("layers.lowpan.ghc",),
    "SenML": ("payload.forms",),
    "capture": ("layers", "stack", "capture", "findings"),
    "design": ("design", "room", "findings.designs", "payload"),
    "key": ("capture.files",),
    "message": ("payload", "fields"),
    "values": ("payload.given", "payload.kinds"),
    "page": ("report.page", "report.text"),
    "command": ("cli", "capture.files", "design"),
    "--minute": ("layers", "stack", "capture.files"),
}


CHEAP = 100_000  # inputs that are wanted of an entry whose inputs cost little


def guides() -> list[str]:
    """Return what is to guide, as the command line has it; a run without entries starts processes that have one."""
    if "fuzz.run" not in sys.orig_argv or "--blind" in sys.argv:
        return []
    words = [word.split()[0] for word in sys.argv[1:] if word == "--minute" or word[:1] != "-"]
    rooms = ROOMS.get(words[0], ("layers", "stack")) if words else ()
    return [f"lowpanbudget.{room}" for room in rooms]


def load(room: str) -> None:
    """Load all modules of a room: those that are loaded when first used would escape."""
    for module in pkgutil.walk_packages(
        getattr(importlib.import_module(room), "__path__", []), f"{room}."
    ):
        if not module.name.endswith("columns.compiled"):
            importlib.import_module(module.name)


with atheris.instrument_imports(include=guides()) if atheris and guides() else nullcontext():
    for found in guides():
        load(found)
    from fuzz.campaign import Campaign, ended, start
    from fuzz.entries import ENTRIES
    from fuzz.minute import Minute, blindly
    from fuzz.mutations import mutated
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


def blind(name: str, inputs: int, work: Path, seed: int) -> int:
    """Run one entry in this process without a guide; return the exit code."""
    campaign = Campaign(name, work, guided=False)
    learned = [path.read_bytes() for path in sorted((work / "inputs" / name).glob("*"))]
    rng, known = random.Random(seed + campaign.before), [*seeds(name), *kept(name), *learned]
    while campaign.count < inputs:
        campaign.take(mutated(rng, known)[: campaign.entry.longest])
    campaign.report()
    return 1 if campaign.failures else 0


def guide(take: Any, folder: Path, work: Path, seed: int, longest: int) -> None:
    options = [f"-seed={seed}", f"-max_len={longest}", "-print_final_stats=0", "-verbosity=0"]
    options += ["-timeout=120", "-rss_limit_mb=0", f"-artifact_prefix={work}/"]
    atheris.Setup([sys.argv[0], *options, str(folder)], take)
    atheris.Fuzz()


def minute(
    seconds: float, seed: int, *, is_blind: bool, part: str = "1/1", most: int | None = None
) -> int:
    """Try all entries in turn for so long, or for half of it, and then the cheap ones guided; return the exit code."""
    with tempfile.TemporaryDirectory() as place:
        work = Path(place)
        if is_blind or atheris is None:
            number, of = map(int, part.split("/"))
            return blindly(Minute(work, list(ENTRIES)[number - 1 :: of], seconds, most), seed)
        again = ["--minute", "--blind", f"--seconds={seconds / 2}", f"--seed={seed}"]
        code = start("", again, sys.executable)
        cheap = [name for name, entry in ENTRIES.items() if entry.inputs >= CHEAP]
        trying = Minute(work, cheap, seconds / 2)
        folder = work / "inputs"
        folder.mkdir()
        for number, octets in enumerate(trying.first()):
            (folder / str(number)).write_bytes(octets)

        def take(data: bytes) -> None:
            if not trying.take(data):
                os._exit(ended([code, trying.report("guided")]))

        guide(take, folder, work, seed, 1 + max(ENTRIES[name].longest for name in cheap))
    return 0


def main() -> int:
    parser = argparse.ArgumentParser(description="Guided fuzzing of the entries.")
    parser.add_argument("entry", nargs="*", choices=[*ENTRIES, []], help="all when none is named")
    parser.add_argument("--inputs", type=int, default=250_000, help="for each entry")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--work", type=Path, default=Path("build/fuzz"))
    parser.add_argument("--minute", action="store_true", help="all entries for a minute together")
    parser.add_argument("--seconds", type=float, default=60, help="in place of a minute")
    parser.add_argument("--part", default="1/1", help="of a blind minute: of two halves the first")
    parser.add_argument("--most", type=int, help="of a blind minute: inputs, however long it takes")
    parser.add_argument("--blind", action="store_true", help="mutate what was learned, unguided")
    chosen = parser.parse_args()
    if chosen.minute:
        return minute(
            chosen.seconds, chosen.seed, is_blind=chosen.blind, part=chosen.part, most=chosen.most
        )
    if atheris is None and not chosen.blind:
        parser.error("a guided run needs atheris: pip install -e '.[fuzz]'")
    names = chosen.entry or list(ENTRIES)
    if len(names) == 1:
        if chosen.blind:
            return blind(names[0], chosen.inputs, chosen.work, chosen.seed)
        fuzz(names[0], chosen.inputs, chosen.work, chosen.seed)
    common = [f"--inputs={chosen.inputs}", f"--seed={chosen.seed}", f"--work={chosen.work}"]
    common += ["--blind"] * chosen.blind
    # each in a process of its own: the fuzzer takes it over and does not give it back
    return ended(start(name, common, sys.executable) for name in names)


if __name__ == "__main__":
    sys.exit(main())
