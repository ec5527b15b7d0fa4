"""What is held of datagrams: summed as it comes and goes, run out by age even where times go back; never searched."""

import random
from typing import Any

from work import calls

from lowpanbudget import Reassembler
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.stack.events import Discarded, TimedOut
from lowpanbudget.stack.fragment_key import FragmentKey
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.held import HeldDatagrams
from lowpanbudget.stack.pieces import FragmentedDatagram, Pieces


def fragment(number: int, offset: int = 80) -> Frame:
    header = Fragment(1280, number & 0xFFFF, offset, first=False)
    return Frame(
        b"", fragment=header, fragment_octets=bytes(80), link_source=number.to_bytes(8, "big"),
        link_destination=bytes(8),
    )  # fmt: skip


def work(open_datagrams: int) -> int:
    """Return the calls that a fragment costs while so many datagrams are open."""
    reassembler = Reassembler(max_datagrams=1 << 20, max_octets=1 << 30)
    for number in range(open_datagrams):
        reassembler.feed(fragment(number), 0.0)
    return calls(lambda: reassembler.feed(fragment(open_datagrams), 1.0))


def test_a_fragment_costs_the_same_whatever_is_open() -> None:
    assert work(1500) <= work(300)


def test_the_oldest_ends_first_even_where_times_go_back() -> None:
    reassembler = Reassembler(timeout_s=10)
    for number, time_s in enumerate((5.0, 1.0, 8.0, 2.0)):
        assert reassembler.feed(fragment(number), time_s) == []
    ended = [e.key.tag for e in reassembler.feed(fragment(9), 13.0) if isinstance(e, TimedOut)]
    assert ended == [1, 3]  # in the order in which they began
    assert reassembler.feed(fragment(9, 160), 4.0) == []
    ended = [e.key.tag for e in reassembler.feed(fragment(7), 15.5) if isinstance(e, TimedOut)]
    assert ended == [0]
    assert reassembler.held == 80 * 4


def test_against_a_plain_search() -> None:
    """Random begins, ends and time-outs: sums and order are those of looking at all that is held each time."""
    rng = random.Random(6)
    held: HeldDatagrams[Any] = HeldDatagrams()
    plain: dict[FragmentKey, Pieces] = {}
    for _ in range(3000):
        key = FragmentKey(None, None, 1280, rng.randrange(40))
        time_s = float(rng.randrange(200))
        what = rng.random()
        if what < 0.6:
            entry = Pieces(FragmentedDatagram(key), time_s)
            plain.pop(key, None)
            plain[key] = entry
            held.begin(key, entry)
            entry.keep(0, bytes(rng.randrange(90)))
            held.octets += entry.received
        elif what < 0.8:
            assert held.end(key) is plain.pop(key, None)
        else:
            old = [k for k, one in plain.items() if time_s - one.started_s > 60]
            assert held.expire(time_s, 60) == [(k, plain.pop(k)) for k in old]
        assert held.octets == sum(one.received for one in plain.values())
        assert list(held) == list(plain)
        assert len(held._ages) <= 2 * 40 + 65  # of at most 40 keys


def test_who_has_most_open_makes_room_for_another() -> None:
    """A flood of one sender takes the room of none; of many senders the oldest datagram goes."""
    reassembler = Reassembler(max_datagrams=16)
    reassembler.feed(fragment(1), 0.0)
    lost = []
    for tag in range(100):
        flood = fragment(0x6666)
        header = Fragment(1280, tag, 80, first=False)
        frame = Frame(
            b"", fragment=header, fragment_octets=bytes(80), link_source=flood.link_source,
            link_destination=bytes(8),
        )  # fmt: skip
        lost += [
            one.key for one in reassembler.feed(frame, 0.01 * tag) if isinstance(one, Discarded)
        ]
    assert {key.source for key in lost} == {(0x6666).to_bytes(8, "big")}
    assert [key.tag for key in lost] == list(range(85))  # one place of 16 is another's
    reassembler = Reassembler(max_datagrams=2)
    events = [reassembler.feed(fragment(number), 0.0) for number in (1, 2, 3)]
    assert [one.key.tag for one in events[2] if isinstance(one, Discarded)] == [1]
