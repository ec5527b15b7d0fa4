"""How much quicker two processes survey several files than one; ``pytest tests/bench/bench_files.py -n 0 -s``.

At least 1.7 times on two idle processors, by the clock, for four files of 60,000 frames; peers in turn, the least time
of each. What others do meanwhile takes from the gain, so what two idle processors would give by the CPU time of all
processes is printed beside it.

A table costs less than as much again as the survey, and its memory does not grow with the frames.
"""

import os
import resource
import subprocess
import sys
import time
from pathlib import Path

import pytest
from capture.captures import CONTEXTS, KEY, mixed, records

from lowpanbudget import frame_rows, survey, write_frame_table
from lowpanbudget.capture.files.writing import write_pcap

FILES, FRAMES, ROUNDS = 4, 60_000, 2
LEAST = 1.7
PEAK = """
import sys
from pathlib import Path
sys.path.insert(0, "tests")
from capture.captures import CONTEXTS, KEY
from lowpanbudget import frame_rows, write_frame_table
with open(sys.argv[2], "wb") as file:
    rows = frame_rows(sys.argv[1], contexts=CONTEXTS, keys=KEY)
    count = write_frame_table(file, rows, sys.argv[2].rpartition(".")[2])
status = Path("/proc/self/status").read_text()  # what a parent had before counts in getrusage
print(count, status.split("VmHWM:")[1].split()[0])
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("files")
    some = records(mixed(FILES * FRAMES, nodes=40), step_ns=10**8)
    for n in range(FILES):
        with (folder / f"{n}.pcap").open("wb") as file:
            write_pcap(file, some[n * FRAMES : (n + 1) * FRAMES], 195)
    return folder


def taken(folder: Path, workers: int) -> tuple[float, float, bytes]:
    """Return the seconds that a survey took by the clock and of CPU time, and what it printed."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.monotonic()
    done = subprocess.run(
        [
            sys.executable, "-m", "lowpanbudget", "survey", f"{folder}/*.pcap", "--json", "--context",
            f"0={CONTEXTS[0]}", "--workers", str(workers),
        ],
        capture_output=True, check=True,
    )  # fmt: skip
    seconds = time.monotonic() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return seconds, cpu, done.stdout


def test_two_workers(folder: Path) -> None:
    least = {1: (float("inf"), float("inf")), 2: (float("inf"), float("inf"))}
    printed = set()
    for _ in range(ROUNDS):
        for workers, best in least.items():
            seconds, cpu, shown = taken(folder, workers)
            least[workers] = min(best[0], seconds), min(best[1], cpu)
            printed.add(shown)
    gain = least[1][0] / least[2][0]
    idle = 2 * least[1][1] / least[2][1]
    load = os.getloadavg()[0]
    print(f"2 workers: {gain:.2f} times as fast; {idle:.2f} by CPU time alone; load {load:.1f}")
    assert len(printed) == 1
    assert gain >= LEAST or (load > 2.5 and idle >= LEAST)


def test_a_table_costs_less_than_the_survey(folder: Path, tmp_path: Path) -> None:
    path = folder / "0.pcap"
    for form in ("csv", "parquet"):
        start = time.process_time()
        survey(path, contexts=CONTEXTS, keys=KEY)
        alone = time.process_time() - start
        start = time.process_time()
        with (tmp_path / f"frames.{form}").open("wb") as file:
            write_frame_table(file, frame_rows(path, contexts=CONTEXTS, keys=KEY), form)
        ratio = (time.process_time() - start) / alone
        print(f"{form}: {ratio:.2f} times a survey")
        assert ratio < 2


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_memory_of_a_table_stays_flat(folder: Path, tmp_path: Path, form: str) -> None:
    """Rows wait in groups of 16,384 at most: two files and four differ by nothing that counts."""
    peaks = []
    for count in (2, 4):
        joined = tmp_path / f"{count}.pcap"
        whole = [(folder / f"{n}.pcap").read_bytes() for n in range(count)]
        joined.write_bytes(whole[0] + b"".join(octets[24:] for octets in whole[1:]))
        done = subprocess.run(
            [sys.executable, "-c", PEAK, str(joined), str(tmp_path / f"frames.{form}")],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        rows, peak = map(int, done.stdout.split())
        assert rows == count * FRAMES
        peaks.append(peak / 1024)
    print(
        f"{form}: peak {peaks[0]:.0f} MB for {2 * FRAMES}, {peaks[1]:.0f} MB for {4 * FRAMES} rows"
    )
    assert peaks[1] - peaks[0] < 20
