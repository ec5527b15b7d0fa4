"""Attackers among honest nodes, small: bounds made small hold, honest nodes are read, findings name the attack.

``python -m hostile.run`` does the same with a million frames and the bounds as they are.
"""

import gc
import re
import sys
from pathlib import Path
from types import BuiltinFunctionType, CodeType, FunctionType, ModuleType

import pytest
from hostile.attacks import ATTACKS
from hostile.mixing import mixed
from hostile.readers import digest, known
from hostile.run import missing

from lowpanbudget import Finding, read_capture
from lowpanbudget.capture import savings
from lowpanbudget.capture import surveyor as surveys
from lowpanbudget.capture.follow import devices, learning, memo, old_frames, repeats
from lowpanbudget.capture.follow.memo import Memo, Regulars
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.recent import Recent
from lowpanbudget.capture.surveyor import Surveyor
from lowpanbudget.findings import networks, open_requests, passages, surroundings, tallies
from lowpanbudget.findings.audit import Audit
from lowpanbudget.findings.captures import floods
from lowpanbudget.findings.known import known_of
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.stack.pieces import MOST_FRAGMENTS
from lowpanbudget.stack.reassembly import Reassembler

FRAMES = 360  # of each attack
MORE = 1.25  # in the second half: tables of two generations are now full, now empty
SMALL = 16
PARTS = 6
# those whose state grows most, and where honest nodes have most to lose
CHOSEN = (
    "first-fragments", "recoverable", "contexts-learned", "addresses", "strangers", "requests", "handshakes",
)  # fmt: skip
FEW = ("strangers", "requests", "recoverable")  # frames, for what the finding needs


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make all bounds small that a few hundred frames would not reach."""
    for module, name in (
        (repeats, "MOST_SOURCES"), (passages, "MOST_WAYS"), (surveys, "MOST_CELLS"),
        (surveys, "_MOST_PLACES"),
        (surroundings, "MOST_PANS"), (old_frames, "_MOST_SENDERS"),
        (savings, "_MOST_HELD"), (floods, "_MOST_OPEN"), (open_requests, "_MOST_OPEN"),
        (FirstNamed, "MOST"),
    ):  # fmt: skip
        monkeypatch.setattr(module, name, SMALL)
    monkeypatch.setattr(
        devices, "MOST_DEVICES", 4 * SMALL
    )  # registered before they are heard sealed
    monkeypatch.setattr(networks, "MOST_APART", 2)  # each with what all rules remember
    for kind in (Recent, Memo, Regulars):
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
        part = self.mix.frames // PARTS
        with read_capture(self.path) as capture:
            for number, sighting in enumerate(trace.follow(capture), 1):
                audit.follow(sighting)
                surveyor.add(sighting)
                if sighting.datagram is not None:
                    self.datagrams[number] = digest(sighting.datagram)
                if number % part == 0 and len(self.memory) < PARTS:
                    self.memory.append(held(trace, audit, surveyor))
        self.findings: list[Finding] = audit.close()


@pytest.mark.long
@pytest.mark.usefixtures("small")
@pytest.mark.parametrize("name", CHOSEN)
def test_an_attack_takes_nothing(name: str, tmp_path: Path) -> None:
    readers = Readers(name, tmp_path)
    before, after = readers.memory[: PARTS // 2], readers.memory[PARTS // 2 :]
    assert max(after) <= MORE * max(before)
    assert missing(readers.mix, readers.datagrams) == []
    assert len(readers.mix.datagrams) >= 25
    names = {finding.name for finding in readers.findings}
    assert names & set(ATTACKS[name].names) or name in FEW


@pytest.mark.usefixtures("small")
def test_a_lost_bound_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(repeats, "MOST_SOURCES", 1 << 30)
    memory = Readers("strangers", tmp_path).memory
    assert max(memory[PARTS // 2 :]) > MORE * max(memory[: PARTS // 2])


def test_developers_are_told_the_bounds_as_they_are() -> None:
    told = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text("utf-8")
    table = told.partition("### What is remembered")[2].partition("###")[0]
    bounds = (
        (Reassembler.__init__.__defaults__ or ())[2], MOST_FRAGMENTS, memo.MOST, repeats.MOST_SOURCES, repeats.DEPTH,
        devices.MOST_DEVICES, devices.MOST_CLAIMS, learning.MOST_PARENTS, surveys.MOST_CELLS, FirstNamed.MOST,
        (Recent.__init__.__defaults__ or ())[0], tallies.MOST_SUBJECTS,
    )  # fmt: skip
    assert bounds == (256, 256, 1024, 4096, 8, 8192, 4, 256, 8192, 4096, 1024, 32)
    assert all(re.search(rf"\b{bound}\b", table) for bound in bounds)
