"""Files that grow, shrink, are replaced or fail at the n-th read of a command.

What must hold: a result of what was read, or one message and a documented exit code; what is written is whole.
"""

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from disturbed import forks
from disturbed.commands import CAPTURE, DATAGRAMS, DESIGN, EXAMPLES, KEYS, ROWS, Command, fill
from disturbed.result import Result

_READS = ("--design", DESIGN, "--keys", KEYS)
CHANGES = {
    "shrinks": forks.SHRINK,
    "grows": forks.GROW,
    "is replaced": forks.REPLACE,
    "cannot be read": forks.READ_FAILS,
}
TRIED = (
    (Command(("fit", DESIGN)), (DESIGN,)),
    (Command(("compatible", DESIGN, "footbridge.toml")), (DESIGN, "footbridge.toml")),
    (Command(("audit", CAPTURE, *_READS)), (CAPTURE, DESIGN, KEYS)),
    (Command(("survey", CAPTURE, "later.pcap", "--continued")), (CAPTURE, "later.pcap")),
    (Command(("survey", CAPTURE, "later.pcap", "--together")), (CAPTURE, "later.pcap")),
    (Command(("survey", "large.pcap", "--table", "t.csv")), ("large.pcap",)),
    (Command(("survey", "large.pcap")), ("large.pcap",)),
    (Command(("annotate", "large.pcap", "--frame", "5000")), ("large.pcap",)),
    (Command(("measure", CAPTURE, *_READS)), (CAPTURE,)),
    (Command(("expand", CAPTURE, *_READS, "-o", "plain.pcap")), (CAPTURE,)),
    (Command(("page", CAPTURE, "-o", "capture.html")), (CAPTURE,)),
    (Command(("shrink", DATAGRAMS, "--design", DESIGN, "--plain", "-o", "sent.pcap")), (DATAGRAMS, DESIGN)),
    (Command(("pack", DESIGN, "climate", ROWS)), (ROWS,)),
    (Command(("unpack", DESIGN, "climate", "packed.txt")), ("packed.txt",)),
)  # fmt: skip
MOST = 12  # reads of a file that are disturbed


def _ends(
    command: Command, changed: str, inputs: Path, work: Path
) -> Iterator[tuple[str, forks.End, list[str]]]:
    """Yield what was done at which read, how the command ended, and the files that are left of its writing."""
    folder, notes = work / "stage", work / "notes"
    notes.mkdir(exist_ok=True)

    def run(place: int, how: int) -> tuple[forks.End, list[str]]:
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(inputs, folder)
        other = folder / f"{changed}.other"
        other.write_bytes(
            (
                folder / ("footbridge.toml" if changed.endswith(".toml") else "later.pcap")
            ).read_bytes()
        )
        path, beside = os.fsencode(folder / changed), os.fsencode(other)
        end = forks.ended(
            command,
            folder,
            notes,
            lambda lib: lib.disturb_reads(path, beside, place, how),
            "reads_seen",
        )
        return end, [one.name for one in folder.rglob(".lowpanbudget-*")]

    usual, _ = run(1 << 30, 0)
    for place in range(1, min(usual.counted, MOST) + 1):
        for what, how in CHANGES.items():
            end, left = run(place, how)
            yield f"{changed} {what} at read {place}", end, left


def main(result: Result, only: list[str]) -> None:
    """Try all commands, or those whose words hold one of the words chosen."""
    with tempfile.TemporaryDirectory() as place:
        work = Path(place).resolve()
        inputs = work / "inputs"
        inputs.mkdir()
        fill(inputs)
        whole = (EXAMPLES / "footbridge.pcap").read_bytes()
        (inputs / "large.pcap").write_bytes(whole + whole[24:] * 30)
        (inputs / "packed.txt").write_text("0f\n1270fa0000\n" * 5)
        for command, files in TRIED:
            if only and not any(word in command.title for word in only):
                continue
            forks.warm(command, inputs)
            for changed in files:
                for what, end, left in _ends(command, changed, inputs, work):
                    wrong = [f"{name} is left behind" for name in left]
                    if end.code not in (0, 1, 2, 3):
                        wrong.append(f"exit code {end.code}")
                    if end.code > 1 and not end.said.strip():
                        wrong.append("no word about it")
                    if b"Traceback" in end.said or b"internal fault" in end.said:
                        wrong.append(f"it said {end.said[-300:]!r}")
                    result.count("files that change while read", f"{command.title}: {what}", wrong)
            print(f"{command.title}: {result}", flush=True)
