"""Captures of fragments that nodes pass on one by one over a line of nodes, in octets put together here.

Three ways: frames of a mesh below IPv6 (``mesh``: RFC 4944 sections 5.2, 5.3 and 11), fragments that routers forward
with a tag of their own a hop (``forwarded``: RFC 8930 section 5), and recoverable ones (``recoverable``: RFC 8931
section 5), which the sender sends again where the end asks for them. Each fragment goes over a hop 30 ms after the one
before and 41 ms after the hop before, so that those of one datagram are on several links at once.
"""

import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from heapq import heappop, heappush

from findings import air

from lowpanbudget import Record

PAN, CONTEXTS = 0xABCD, {0: "2001:db8:1::/64"}
GAP_S, HOP_S, TRY_S, ASKS_S = 0.03, 0.041, 0.004, 0.5
FIRST, STEP = 80, 72  # octets of a datagram in the first fragment, and in each other one
WAYS = ("mesh", "forwarded", "recoverable")

Lost = Callable[[int, int, int, int, int], bool]  # datagram, originator, hop, fragment, attempt


def nothing(*_: int) -> bool:
    return False


@dataclass
class Line:
    """What nodes send along their way. ``tag`` gives that of a datagram, by its number, originator and hop."""

    way: str
    lost: Lost = nothing
    kept: Lost = nothing  # by who got it
    tag: Callable[[int, int, int], int] = lambda number, node, hop: number * 7 + node + 90 * hop
    order: Sequence[int] = (0, 1, 2, 3)
    heard: list[tuple[float, bytes, tuple[int, int]]] = field(default_factory=list)
    numbers: dict[int, int] = field(default_factory=dict)
    _due: list[tuple[float, int, Callable[[float], None]]] = field(default_factory=list)

    def at(self, time_s: float, act: Callable[[float], None]) -> None:
        heappush(self._due, (time_s, len(self._due) + 1000 * len(self.heard), act))

    def frame(self, number: int, sender: int, to: int, payload: bytes) -> bytes:
        """A data frame in one PAN, an acknowledgement asked for (IEEE 802.15.4-2006 7.2, from memory)."""
        head = struct.pack("<HBHHH", 0x8861, number, PAN, to, sender)
        return air.mended(head + payload + bytes(2))

    def send(
        self, link: tuple[int, int], payload: bytes, now: float, *, lost: bool = False
    ) -> None:
        """A frame and its acknowledgement, or four tries in vain."""
        number = self.numbers[link[0]] = (self.numbers.get(link[0], 83 * link[0]) + 1) & 0xFF
        frame = self.frame(number, *link, payload)
        for again in range(4 if lost else 1):
            self.heard.append((now + TRY_S * again, frame, link))
        if not lost:
            answer = air.mended(bytes([2, 0, number, 0, 0]))
            self.heard.append((now + TRY_S / 2, answer, link[::-1]))

    def datagram(self, start_s: float, number: int, path: Sequence[int]) -> None:
        """One datagram over a path, and what its end asks for."""
        one = Sent(self, number, path)
        for turn, index in enumerate(self.order):
            self.at(start_s + GAP_S * turn, partial(one.over, index, 0, 0))
        if self.way == "recoverable":
            self.at(start_s + ASKS_S, partial(one.asked, len(path) - 1, 0))

    def run(self) -> "Line":
        while self._due:
            now, _, act = heappop(self._due)
            act(now)
        self.heard.sort(key=lambda one: one[0])
        return self

    def records(
        self, hears: Callable[[tuple[int, int]], bool] = lambda _link: True
    ) -> Iterator[Record]:
        """What a receiver gets that hears the frames of some links."""
        frames = ((at, octets) for at, octets, link in self.heard if hears(link))
        for number, (at, octets) in enumerate(frames, 1):
            yield Record(number, round(at * 1e9), 195, octets, len(octets))


class Sent:
    """One datagram on its way: what came over which hop."""

    def __init__(self, line: Line, number: int, path: Sequence[int]) -> None:
        self.line, self.number, self.path = line, number, path
        self.came: list[set[int]] = [set() for _ in path[1:]]
        ends = path[0].to_bytes(2, "big"), path[-1].to_bytes(2, "big")
        text = (
            b"number %02d, " % number
        )  # of all originators: but the first their fragments are alike
        self.packet = air.datagram(text * 30, links=ends)[: FIRST + 3 * STEP]
        self.packet = air.datagram((text * 30)[: len(self.packet) - 48], links=ends)

    def compressed(self, hop_limit: int) -> bytes:
        """RFC 6282: TF elided, NH set, hop limit in line; addresses of 16 bits under context 0; UDP with its ports."""
        head = bytes([0x7C, 0x66, hop_limit]) + self.packet[22:24] + self.packet[38:40]
        return head + b"\xf0" + self.packet[40:44] + self.packet[46:48]

    def payload(self, index: int, hop: int) -> bytes:
        way, path, tag = self.line.way, self.path, self.line.tag(self.number, self.path[0], hop)
        if way == "recoverable":
            # 1110100E, tag, X, sequence of 5 bits, size of 10, offset: of the first the size of all
            whole = self.compressed(64 - hop) + self.packet[48:]
            start = index and FIRST - 33 + STEP * (index - 1)
            part = whole[start : FIRST - 33 + STEP * index]
            where = start if index else len(whole)
            last = 0x8000 if index == 3 else 0
            return (
                struct.pack(">BBHH", 0xE8, tag & 0xFF, last | index << 10 | len(part), where) + part
            )
        size = len(self.packet)
        start = index and FIRST + STEP * (index - 1)
        part = self.packet[start : FIRST + STEP * index]
        if index:
            head = struct.pack(">HHB", 0xE000 | size, tag & 0xFFFF, start // 8)
        else:
            limit = 64 if way == "mesh" else 64 - hop
            head = struct.pack(">HH", 0xC000 | size, tag & 0xFFFF) + self.compressed(limit)
            part = part[48:]
        if way != "mesh":
            return head + part
        # 1 0 V F and the hops left, with short addresses: the tag stays that of the originator
        tag = self.line.tag(self.number, path[0], 0)
        head = head[:2] + struct.pack(">H", tag & 0xFFFF) + head[4:]
        left = 0xB0 | len(self.came) - hop
        return struct.pack(">BHH", left, path[0], path[-1]) + head + part

    def over(self, index: int, hop: int, attempt: int, now: float) -> None:
        """A fragment over a hop, and on; a router forwards none of which the first did not pass."""
        link = self.path[hop], self.path[hop + 1]
        lost = self.line.lost(self.number, self.path[0], hop, index, attempt)
        self.line.send(link, self.payload(index, hop), now, lost=lost)
        if lost or (self.line.way != "mesh" and index and 0 not in self.came[hop]):
            return
        self.came[hop].add(index)
        if self.line.kept(self.number, self.path[0], hop, index, attempt):
            return
        if hop + 1 < len(self.came):
            self.line.at(now + HOP_S, partial(self.over, index, hop + 1, attempt))

    def asked(self, hops: int, attempt: int, now: float) -> None:
        """The end acknowledges what came, over all hops back; what did not is sent once more, twice at most."""
        came = self.came[-1]
        whole = came == {0, 1, 2, 3}
        bitmap = 0xFFFF_FFFF if whole else sum(1 << 31 - index for index in came)
        for hop in range(hops - 1, -1, -1) if came else ():
            tag = self.line.tag(self.number, self.path[0], hop) & 0xFF
            answer = struct.pack(">BBI", 0xEA, tag, bitmap)
            link = self.path[hop + 1], self.path[hop]
            self.line.at(now + 0.02 * (hops - hop), partial(self.line.send, link, answer))
        if whole or attempt == 2:
            return
        for turn, index in enumerate(sorted({0, 1, 2, 3} - came)):
            at = now + 0.3 + GAP_S * turn
            self.line.at(at, partial(self.over, index, 0, attempt + 1))
        self.line.at(now + 1.0, partial(self.asked, hops, attempt + 1))


def line(
    way: str, paths: Sequence[Sequence[int]], count: int = 10, every_s: float = 60.0, **how: object
) -> Line:
    """Datagrams over each of these paths, a few milliseconds apart."""
    made = Line(way, **how)  # type: ignore[arg-type]
    for number in range(count):
        for place, path in enumerate(paths):
            made.datagram(1.0 + every_s * number + 0.007 * place, number, path)
    return made.run()
