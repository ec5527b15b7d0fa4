"""How fast a capture is surveyed, and in how much memory; run with ``pytest tests/bench/bench_capture.py -s``.

At least 8 times as many frames a second as a general packet library dissects: 200,000 frames against its first 5,000 in
the same run, by processor time. Peak memory for 20,000 and for 200,000 frames differs by less than 20 MB. The network:
half of its frames are readings in one frame, the rest fragments, protected frames, CoAP, acknowledgements and damage.
"""

import subprocess
import sys
import time
from pathlib import Path

import pytest
from capture.captures import CONTEXTS, KEY, mixed, records

from lowpanbudget.capture.files.writing import write_pcap
from lowpanbudget.capture.surveyor import survey

FRAMES, FEWER, DISSECTED = 200_000, 20_000, 5_000

PEAK = """
import resource, sys
sys.path.insert(0, "tests")
from capture.captures import CONTEXTS, KEY
from lowpanbudget.capture.surveyor import survey
found = survey(sys.argv[1], contexts=CONTEXTS, keys=KEY)
print(found.total.frames, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


@pytest.fixture(scope="module")
def captures(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("captures")
    frames = mixed(FRAMES, nodes=40)
    paths = folder / "many.pcap", folder / "fewer.pcap"
    for path, count in zip(paths, (FRAMES, FEWER), strict=True):
        with path.open("wb") as file:
            write_pcap(file, records(frames[:count], step_ns=10**8), 195)
    return paths


def dissected(path: Path) -> float:
    """Return the frames a second that scapy dissects down to UDP, those read as raw octets included."""
    from scapy.config import conf
    from scapy.layers import sixlowpan
    from scapy.layers.dot15d4 import Dot15d4FCS
    from scapy.utils import RawPcapReader

    assert sixlowpan.__name__  # its import binds the layers of 6LoWPAN
    setattr(conf, "dot15d4_protocol", "sixlowpan")  # noqa: B010  # typed as None
    reader = RawPcapReader(str(path))
    first = [data for data, _ in (next(reader) for _ in range(DISSECTED))]
    reader.close()
    start = time.process_time()
    for octets in first:
        try:
            Dot15d4FCS(octets)
        except Exception:  # noqa: BLE001  # damaged frames end its dissection
            continue
    return DISSECTED / (time.process_time() - start)


def surveyed(path: Path) -> float:
    start = time.process_time()
    found = survey(path, contexts=CONTEXTS, keys=KEY)
    assert found.total.frames == FRAMES
    return FRAMES / (time.process_time() - start)


def test_eight_times_as_fast_as_dissection(captures: tuple[Path, Path]) -> None:
    other = dissected(captures[0])
    ours = surveyed(captures[0])
    other = max(other, dissected(captures[0]))
    print(f"survey {ours:,.0f} frames/s, dissection {other:,.0f}: {ours / other:.1f} times")
    assert ours >= 8 * other


def test_memory_stays_flat(captures: tuple[Path, Path]) -> None:
    peaks = []
    for path, count in zip(captures, (FRAMES, FEWER), strict=True):
        done = subprocess.run(
            [sys.executable, "-c", PEAK, str(path)], capture_output=True, text=True, check=True
        )
        frames, peak = map(int, done.stdout.split())
        assert frames == count
        peaks.append(peak / 1024)
    print(f"peak {peaks[0]:.0f} MB for {FRAMES}, {peaks[1]:.0f} MB for {FEWER} frames")
    assert peaks[0] - peaks[1] < 20
