"""How fast the command ``survey`` counts by columns, and in how much memory; run with ``pytest -s`` on this file.

From start to end, with right check sequences and checksums: at least 3 million frames a second on an idle machine, told
beside the frames followed one by one. Peak memory of ten times as many frames differs by less than 20 MB.
"""

import resource
import struct
import subprocess
import sys
import time
from pathlib import Path

import pytest
from capture.captures import CONTEXTS, mixed

from lowpanbudget.capture.surveyor import survey
from lowpanbudget.layers.link.fcs import fcs

FRAMES, MANY, FEWER = 2_000_000, 1_000_000, 100_000
SECOND, STEP_NS = 10**9, 10**7


def written(path: Path, count: int) -> Path:
    """Write plain traffic of 40 nodes: readings, fragments, requests, acknowledgements; nothing sealed or damaged."""
    frames = [f for f in mixed(60_000, nodes=40) if fcs(f[:-2]) == f[-2:] and not f[0] & 8]
    with path.open("wb") as file:
        file.write(struct.pack("<I2H2I2I", 0xA1B23C4D, 2, 4, 0, 0, 1 << 18, 195))
        for number in range(count):
            octets, (seconds, fraction) = (
                frames[number % len(frames)],
                divmod(number * STEP_NS, SECOND),
            )
            head = struct.pack("<4I", seconds, fraction, len(octets), len(octets))
            file.write(head + octets)
    return path


def run(path: Path) -> tuple[float, int]:
    """Return the processor time of the command in seconds, and the peak of its memory in kB."""
    program = "import resource, sys\nfrom lowpanbudget.cli.main import run\ntry:\n    run()\nfinally:\n    "
    program += "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)"
    context = f"0={CONTEXTS[0]}"
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, "-c", program, "survey", str(path), "--context", context, "--json"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    taken = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return taken, int(done.stderr.split()[-1])


def test_against_frames_followed_one_by_one(tmp_path: Path) -> None:
    path = written(tmp_path / "many.pcap", FRAMES)
    few = written(tmp_path / "few.pcap", FEWER)
    assert survey(few, columns=True, contexts=CONTEXTS) == survey(
        few, columns=False, contexts=CONTEXTS
    )
    start = time.process_time()
    survey(few, columns=False, contexts=CONTEXTS)
    one_by_one = FEWER / (time.process_time() - start)
    run(path)  # compiled
    taken = min(run(path)[0] for _ in range(3))
    print(f"{FRAMES / taken:,.0f} frames/s from start to end, one by one {one_by_one:,.0f}")
    assert FRAMES / taken > 20 * one_by_one


def test_beside_a_loop_by_hand(tmp_path: Path) -> None:
    path = written(tmp_path / "many.pcap", FRAMES)
    loop = tmp_path / "loop"
    subprocess.run(
        ["gcc", "-O2", "-o", loop, Path(__file__).with_name("loop.c")],
        check=True,
        capture_output=True,
    )
    by_hand, ours = [], []
    for _ in range(4):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = subprocess.run([loop, path], check=True, capture_output=True, text=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        by_hand.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        assert (
            done.stdout.split()[:2] == [str(FRAMES)] * 2
        )  # all frames, all with a right check sequence
        ours.append(run(path)[0])
    print(
        f"by hand in C {FRAMES / min(by_hand):,.0f} frames/s, the command {FRAMES / min(ours):,.0f}: "
        f"{min(ours) / min(by_hand):.1f} times the time, with flows, nodes, repeats, numbers and savings in it"
    )


@pytest.mark.parametrize("times", [10])
def test_memory_stays_flat(tmp_path: Path, times: int) -> None:
    peaks = [run(written(tmp_path / f"{n}.pcap", n))[1] / 1024 for n in (MANY, times * MANY)]
    print(f"peak {peaks[0]:.0f} MB for {MANY}, {peaks[1]:.0f} MB for {times * MANY} frames")
    assert peaks[1] - peaks[0] < 20
