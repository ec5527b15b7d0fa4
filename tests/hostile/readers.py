"""The readers that an attacker may hit, each over a capture file; what each got of the honest nodes' datagrams."""

import gc
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from hashlib import blake2b
from itertools import pairwise
from pathlib import Path
from typing import Any

from findings.air import CONTEXTS, KEY
from hostile.network import DEVICES

from lowpanbudget import Complete, Decoder, Finding, Reassembler, read_capture
from lowpanbudget.capture.files.reading import CaptureFile
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.survey import Survey
from lowpanbudget.capture.surveyor import survey
from lowpanbudget.findings.audited import audit_of

TENTHS = 10
Datagrams = dict[int, bytes]  # by the number of the frame that completes it: a digest


def digest(octets: bytes) -> bytes:
    """What stands for a datagram."""
    return blake2b(octets, digest_size=8).digest()


def resident_mb() -> float:
    """The memory of this process that is there now."""
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return pages * 4096 / 1e6


@dataclass
class Watch:
    """Notes memory and processor time at every tenth of the frames that pass."""

    frames: int
    memory_mb: list[float] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    peak_mb: float = 0.0

    def passing(self, records: Iterator[Record]) -> Iterator[Record]:
        """Let records pass, and look."""
        step = max(self.frames // TENTHS, 1)
        self._look()
        for number, record in enumerate(records, 1):
            yield record
            if number % step == 0:
                self._look()

    def _look(self) -> None:
        self.memory_mb.append(resident_mb())
        self.seconds.append(time.process_time())

    def us_per_frame(self, tenth: int) -> float:
        """Processor time of a frame of one tenth, in microseconds."""
        step = max(self.frames // TENTHS, 1)
        spent = [after - before for before, after in pairwise(self.seconds)]
        return spent[tenth] / (self.frames if len(spent) == 1 else step) * 1e6

    @property
    def growth_mb(self) -> float:
        """By how much memory grew in the second half of the frames."""
        return self.memory_mb[-1] - self.memory_mb[len(self.memory_mb) // 2]


@dataclass
class Outcome:
    """What a reader got: datagrams by frame, findings, a survey, and how it went."""

    watch: Watch
    datagrams: Datagrams = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    survey: Survey | None = None


def known(*, contexts: bool) -> dict[str, Any]:
    """What every reader is given."""
    return {"keys": [KEY], **({"contexts": CONTEXTS} if contexts else {})}


def _opened(path: Path, watch: Watch) -> CaptureFile:
    capture = read_capture(path)
    capture.through(watch.passing)
    return capture


def audited(path: Path, frames: int, wanted: set[int], *, contexts: bool) -> Outcome:
    """Trace and audit."""
    outcome = Outcome(Watch(frames))

    def see(sighting: Sighting) -> None:
        if sighting.number in wanted and sighting.datagram is not None:
            outcome.datagrams[sighting.number] = digest(sighting.datagram)

    trace = Trace(**known(contexts=contexts))
    outcome.findings = audit_of(trace, _opened(path, outcome.watch), also=see).findings
    return outcome


def surveyed(path: Path, frames: int, _wanted: set[int], *, contexts: bool) -> Outcome:
    """A survey frame by frame."""
    outcome = Outcome(Watch(frames))
    capture = _opened(path, outcome.watch)
    outcome.survey = survey(capture, columns=False, **known(contexts=contexts))
    return outcome


def by_columns(path: Path, frames: int, _wanted: set[int], *, contexts: bool) -> Outcome:
    """A survey by columns; records do not pass one by one: a clock looks at memory, and time is the whole."""
    outcome = Outcome(Watch(frames))
    watch, ended = outcome.watch, threading.Event()

    def look() -> None:
        while not ended.wait(0.2):
            watch.memory_mb.append(resident_mb())

    watch.memory_mb.append(resident_mb())
    before = time.process_time()
    looking = threading.Thread(target=look)
    looking.start()
    try:
        outcome.survey = survey(path, columns=True, **known(contexts=contexts))
    finally:
        ended.set()
        looking.join()
    watch.seconds = [before, time.process_time()]
    watch.memory_mb.append(resident_mb())
    return outcome


def decoded(path: Path, frames: int, wanted: set[int], *, contexts: bool) -> Outcome:  # noqa: ARG001
    """One ``Decoder`` and one ``Reassembler`` for all frames, as a program of one's own has: they learn nothing."""
    outcome = Outcome(Watch(frames))
    given = known(contexts=True)
    decoder = Decoder(devices=DEVICES, **given)
    reassembler = Reassembler(given.get("contexts"))
    for record in _opened(path, outcome.watch):
        frame = decoder.frame(record.octets, fcs=False)
        for event in reassembler.feed(frame, (record.time_ns or 0) / 1e9):
            if isinstance(event, Complete) and record.number in wanted:
                outcome.datagrams[record.number] = digest(event.datagram.octets)
    return outcome


READERS: dict[str, Callable[..., Outcome]] = {
    "audit": audited, "survey": surveyed, "columns": by_columns, "decoder": decoded,
}  # fmt: skip


def settle() -> None:
    """Give back what nobody holds, before memory is looked at."""
    gc.collect()
