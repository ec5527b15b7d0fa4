"""Attackers among honest nodes, small: bounds made small hold, honest nodes are read, findings name the attack.

``python -m hostile.run`` does the same with a million frames and the bounds as they are.
"""

import gc
import sys
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from types import BuiltinFunctionType, CodeType, FunctionType, ModuleType
from typing import Any

import pytest
from hostile.attacks import ATTACKS
from hostile.mixing import mixed
from hostile.readers import digest, known
from hostile.run import messages, missing

from lowpanbudget import Finding, read_capture
from lowpanbudget.capture import survey as surveys
from lowpanbudget.capture.follow import devices, repeats
from lowpanbudget.capture.follow.memo import Memo
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.recent import Recent
from lowpanbudget.capture.survey import Surveyor
from lowpanbudget.findings import passages
from lowpanbudget.findings.audit import Audit
from lowpanbudget.findings.captures import floods, requests
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.scene import known_of
from lowpanbudget.stack.reassembly import Reassembler

FRAMES = 360  # of each attack
MORE = 1.2  # what the second half may add: tables that fill slower than others
SMALL = 16
PARTS = 6
# those whose state grows most, and where honest nodes have most to lose
CHOSEN = (
    "first-fragments", "recoverable", "contexts-learned", "addresses", "strangers", "requests", "handshakes",
)  # fmt: skip


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make all bounds small that a few hundred frames would not reach."""
    for module, name in (
        (repeats, "MOST_SOURCES"), (devices, "MOST_DEVICES"), (passages, "MOST_WAYS"), (surveys, "MOST_CELLS"),
        (floods, "_MOST_OPEN"), (requests, "_MOST_OPEN"), (FirstNamed, "MOST"),
    ):  # fmt: skip
        monkeypatch.setattr(module, name, SMALL)
    for kind in (Recent, Memo):
        monkeypatch.setattr(kind.__init__, "__defaults__", (SMALL,))
    given = [SMALL if value == 256 else value for value in Reassembler.__init__.__defaults__ or ()]
    monkeypatch.setattr(Reassembler.__init__, "__defaults__", tuple(given))


def held(*roots: object) -> int:
    """Return the octets of all that can be reached from some objects, code and modules left out."""
    seen, total, stack = set[int](), 0, list(roots)
    while stack:
        one = stack.pop()
        if id(one) in seen or isinstance(
            one, type | ModuleType | FunctionType | BuiltinFunctionType | CodeType
        ):
            continue
        seen.add(id(one))
        total += sys.getsizeof(one)
        stack += gc.get_referents(one)
    return total


class Readers:
    """Trace, audit and survey over one capture, and what they hold at half of it and at its end."""

    def __init__(self, name: str, folder: Path) -> None:
        attack = ATTACKS[name]
        self.path = folder / "attack.pcap"
        self.mix = mixed(attack, FRAMES, 20 * FRAMES / attack.rate / 60, self.path)
        trace = Trace(**known(contexts=attack.contexts))
        audit, surveyor = Audit(known_of(trace)), Surveyor()
        self.datagrams: dict[int, bytes] = {}
        self.memory: list[int] = []
        sightings: Iterator[Any] = trace.follow(read_capture(self.path))
        part = self.mix.frames // PARTS
        for _ in range(PARTS):
            for _ in islice(self._read(sightings, audit, surveyor), part):
                pass
            self.memory.append(held(trace, audit, surveyor))
        self.findings: list[Finding] = audit.close()
        self.survey = surveyor.survey()

    def _read(self, sightings: Iterator[Any], audit: Audit, surveyor: Surveyor) -> Iterator[int]:
        for sighting in sightings:
            audit.follow(sighting)
            surveyor.add(sighting)
            if sighting.datagram is not None:
                self.datagrams[sighting.number] = digest(sighting.datagram)
            yield sighting.number


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize("name", CHOSEN)
def test_an_attack_takes_nothing(name: str, tmp_path: Path) -> None:
    readers = Readers(name, tmp_path)
    half, whole = readers.memory
    assert whole <= MORE * half
    assert missing(readers.mix, readers.datagrams) == []
    assert len(readers.mix.datagrams) >= 25
    reports = [said for said in readers.mix.honest.values() if said.message is not None]
    if name != "strangers":  # flows of more are summed up as others
        assert messages(readers.survey) in (len(reports), 0)
    names = {finding.name for finding in readers.findings}
    assert names & set(ATTACKS[name].names) or name in ("strangers", "first-fragments")


@pytest.mark.usefixtures("small")
def test_a_lost_bound_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(repeats, "MOST_SOURCES", 1 << 30)
    half, whole = Readers("strangers", tmp_path).memory
    assert whole > MORE * half
