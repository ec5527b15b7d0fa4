"""Datagrams that go against the ranks of their hop: ranks grow away from the root (RFC 6550 section 3.5)."""

from ipaddress import IPv6Address
from types import SimpleNamespace
from typing import Any

import pytest
from findings.air import BROADCAST, iid

from lowpanbudget import Dio, RplOption
from lowpanbudget.findings.captures.directions import (
    Directions,
    _Against,
    _MarkedHop,
    direction_against_ranks,
)
from lowpanbudget.findings.ranks import AnnouncedRanks

HERE, THERE = b"\0\x17", b"\0\x18"
DODAG = IPv6Address("2001:db8::1")
INFINITE = 0xFFFF  # RFC 6550 section 17
FAR, NEAR = 512, 256  # two steps and one of MinHopRankIncrease 256 (DEFAULT_MIN_HOP_RANK_INCREASE)


def ranks(**of: int) -> AnnouncedRanks:
    """What both nodes announce."""
    found = AnnouncedRanks()
    for link, rank in ((HERE, of["here"]), (THERE, of["there"])):
        found.take(dio(rank), iid(link), 1)
    return found


def dio(rank: int, version: int = 1) -> Dio:
    return Dio(rpl_instance_id=0, version=version, rank=rank, dodag_id=DODAG)


def noted(
    known: AnnouncedRanks, *, down: bool, sender_rank: int, to: bytes | None = THERE
) -> list[_MarkedHop]:
    option = RplOption(down=down, rpl_instance_id=0, sender_rank=sender_rank)
    datagram: Any = SimpleNamespace(link_source=HERE, link_destination=to, numbers=(3,))
    memory = Directions()
    memory.take(known, option, datagram)
    return list(memory.hops)


@pytest.mark.parametrize(
    ("here", "there", "down", "is_noted"),
    [
        (FAR, NEAR, True, True),
        (NEAR, FAR, False, True),
        (NEAR, FAR, True, False),
        (FAR, NEAR, False, False),
        # ranks are compared by DAGRank (section 3.5.1): these are equal
        (FAR, FAR + 255, True, False),
        (FAR + 255, FAR, True, False),
        (FAR, FAR + 255, False, False),
        # who has left its DODAG tells no direction (section 8.2.2.5)
        (FAR, INFINITE, False, False),
        (INFINITE, NEAR, True, False),
    ],
)
def test_down_goes_to_higher_ranks(here: int, there: int, *, down: bool, is_noted: bool) -> None:
    known = ranks(here=here, there=there)
    for sender_rank in (here, here // 256):  # as a rank, or as its DAGRank (section 11.2.2.2)
        hops = noted(known, down=down, sender_rank=sender_rank)
        assert hops == ([_MarkedHop(0, HERE, THERE, down, (here, there))] if is_noted else [])


def test_what_is_not_known_of_both_is_not_noted() -> None:
    known = ranks(here=FAR, there=NEAR)
    assert noted(known, down=True, sender_rank=FAR)
    # a rank that it does not announce now; the RPL option is the source's, which sets zero
    assert noted(known, down=True, sender_rank=0) == []
    assert noted(known, down=True, sender_rank=NEAR) == []
    for to in (None, BROADCAST, b"\0\x19"):
        assert noted(known, down=True, sender_rank=FAR, to=to) == []
    # another version of the DODAG has ranks of its own (section 3.2.2)
    known.take(dio(NEAR, version=2), iid(THERE), 2)
    assert noted(known, down=True, sender_rank=FAR) == []


def test_datagrams_count_once_their_receiver_says_again_what_it_said() -> None:
    known = ranks(here=FAR, there=NEAR)
    receiver = known.get((0, iid(THERE)))
    assert receiver is not None
    found = _Against(at=receiver.count, waiting=2)
    found.settle(None, NEAR)
    found.settle(receiver, NEAR)
    assert (found.count, found.stretches) == (0, 0), "no DIO came since"
    known.take(dio(NEAR), iid(THERE), 2)
    found.settle(receiver, NEAR)
    assert (found.count, found.stretches, found.waiting) == (2, 1, 0)
    known.take(dio(NEAR), iid(THERE), 3)
    found.settle(receiver, NEAR)
    assert (found.count, found.stretches) == (2, 1), "nothing was sent in between"
    found.waiting = 3
    known.take(dio(FAR + 256), iid(THERE), 4)
    found.settle(receiver, NEAR)
    assert (found.count, found.stretches, found.waiting) == (2, 1, 0), "it has another rank by now"


@pytest.mark.parametrize(
    ("count", "stretches", "also", "down", "told"),
    [
        (3, 2, (), True, True),
        # three datagrams in two stretches at least (our choice)
        (2, 2, (), True, False),
        (3, 1, (), True, False),
        # it had a rank that fits, at whatever time
        (3, 2, (FAR,), True, False),
        (3, 2, (FAR + 256,), True, False),
        (3, 2, (INFINITE,), True, True),
        (3, 2, (0,), True, True),
        (3, 2, (), False, True),
        (3, 2, (NEAR,), False, False),
        (3, 2, (FAR + 256,), False, True),
    ],
)
def test_what_is_told_at_the_end(
    count: int, stretches: int, also: tuple[int, ...], *, down: bool, told: bool
) -> None:
    here, there = (FAR, NEAR) if down else (NEAR, FAR)
    known = ranks(here=here, there=there)
    receiver = known.get((0, iid(THERE)))
    assert receiver is not None
    receiver.ever |= set(also)
    memory = Directions()
    # one of which nothing is known stands before it
    for node, number in ((b"\0\x19", 9), (THERE, count)):
        key = _MarkedHop(0, HERE, node, down, (here, there))
        hop = memory.hops.entry(key, _Against)
        assert hop is not None
        hop.count, hop.stretches, hop.at = number, stretches, receiver.count
    surroundings: Any = SimpleNamespace(ranks=known)
    hits = list(direction_against_ranks(memory, surroundings))
    assert len(hits) == told
    if told:
        assert hits[0].times == count
