"""The networks of ``networks``, each with one thing wrong in it."""

from dataclasses import dataclass, replace
from ipaddress import IPv6Address
from typing import Any

from findings import air
from findings.air import BROADCAST
from findings.networks import PARENTS, ROOT, Network, way_up

from lowpanbudget.layers.link.mac import Mac


class NodeUnheard(Network):
    """What node 7 sends is never acknowledged, and tried four times."""

    def tries(self, at: float, mac: Mac) -> int:
        one = mac.source == self.link(7) and mac.destination != BROADCAST
        return 4 if one else super().tries(at, mac)

    def is_heard(self, mac: Mac) -> bool:
        return mac.source != self.link(7)


class OutOfEarshot(Network):
    """The receiver of the capture does not hear node 2: its acknowledgements, and no more than usual is tried again."""

    def tries(self, _at: float, mac: Mac) -> int:
        usual = 2 if (mac.sequence or 0) % 8 == 7 else 1
        return 0 if mac.source == self.link(2) else usual

    def is_heard(self, mac: Mac) -> bool:
        return mac.destination != self.link(2)


class OtherPan(Network):
    """Node 7 has another PAN ID."""

    def header(self, mac: Mac) -> Mac:
        return replace(mac, destination_pan=0xABCE) if mac.source == self.link(7) else mac

    def is_heard(self, mac: Mac) -> bool:
        return mac.source != self.link(7)


class Unsecured(Network):
    """Node 7 has no key."""

    def header(self, mac: Mac) -> Mac:
        return replace(mac, security=None) if mac.source == self.link(7) else mac


class NumberStuck(Network):
    """Node 5 never counts."""

    def header(self, mac: Mac) -> Mac:
        return replace(mac, sequence=66) if mac.source == self.link(5) else mac


@dataclass
class NodeMute(Network):
    """Node 6 sends nothing after five minutes, and acknowledges all the same."""

    now: float = 0.0

    def tries(self, at: float, mac: Mac) -> int:
        self.now = at
        return 0 if mac.source == self.link(6) and at > 300 else super().tries(at, mac)

    def over(self, at: float, way: list[tuple[int, int]], *args: Any, **kind: Any) -> None:
        # what it does not send no router has anything of to send on
        if way[0][0] != 6 or at <= 300:
            super().over(at, way, *args, **kind)


class NodeSilent(NodeMute):
    """Nothing at all comes from it."""

    def is_heard(self, mac: Mac) -> bool:
        return self.now <= 300 or mac.destination != self.link(6)


class Storm(Network):
    """Node 4 sends a DIO every second for two minutes."""

    def more(self) -> None:
        for number in range(120):
            self.dio(200.3 + number, 4, self.rank(4))


class Solicits(Network):
    """Node 6 asks for a parent every other second, and for a router as well."""

    def more(self) -> None:
        for number in range(30):
            self.nd(200.3 + 2 * number, 6, None, 133, bytes(4))
            self.rpl(200.7 + 2 * number, 6, None, 0, bytes(2))


class NotLowered(Network):
    """Node 2 forwards with the hop limit that it got."""

    def limit(self, first: int, passed: int) -> int:
        way = [start for start, _ in way_up(first)]
        return 64 - passed + (2 in way[1 : passed + 1])


class Loop(Network):
    """Nodes 4 and 7 take each other for their parents."""

    def way(self, node: int) -> list[tuple[int, int]]:
        return [(7, 4), (4, 7)] * 5 if node == 7 else way_up(node)

    def answers(self, node: int) -> bool:
        return node != 7


class SecondRoot(Network):
    """Node 6 makes a DODAG of its own, and raises the version by four each time."""

    def more(self) -> None:
        for number in range(4):
            self.dio(300.0 + 60 * number, 6, 256, 6, 240 + 4 * number)


class LinkLocalSource(Network):
    """Node 7 sends its reports from its link-local address."""

    def origin(self, node: int) -> IPv6Address:
        return self.ip(node, "fe80::" if node == 7 else air.PREFIX)

    def answers(self, node: int) -> bool:
        return node != 7


class TooFar(Network):
    """Node 7 starts with a hop limit of 2, which ends at node 2: it says so."""

    def limit(self, first: int, passed: int) -> int:
        return (2 if first == 7 else 64) - passed

    def way(self, node: int) -> list[tuple[int, int]]:
        return way_up(node)[:2] if node == 7 else way_up(node)

    def answers(self, node: int) -> bool:
        return node != 7

    def more(self) -> None:
        source, to = self.ip(2), self.ip(7)
        invoking = air.ip(to, self.ip(ROOT), 17, bytes(40), 0)
        message = air.icmpv6(3, bytes(4) + invoking, source, to)
        for number in range(3):
            for passed, hop in enumerate(((2, 4), (4, 7))):
                packet = air.ip(source, to, 58, message, 64 - passed)
                self.hop(101.0 + 60 * number + 0.3 * passed, *hop, packet)


class Twin(Network):
    """Another device has the short address of node 5, and is told so."""

    def more(self) -> None:
        for number in range(3):
            self.registers(200.0 + 120 * number, 5, self.eui(0x55), status=1)


class NoAnswer(Network):
    """The root never answers node 5."""

    def answers(self, node: int) -> bool:
        return node != 5


class LostFragments(Network):
    """Of the long reports of node 5 the last fragment is never heard."""

    def hop(self, at: float, source: int, to: int | None, packet: bytes) -> None:
        before = len(self.sent)
        super().hop(at, source, to, packet)
        if source == 5 and len(self.sent) > before + 1:
            self.sent.pop()

    def report(self, at: float, node: int, data: bytes) -> None:
        self.goes_on = node != 5 or len(data) < 100  # what comes whole is sent on and answered
        super().report(at, node, data)

    def way(self, node: int) -> list[tuple[int, int]]:
        return way_up(node) if self.goes_on else way_up(node)[:1]

    def answers(self, node: int) -> bool:
        return node != ROOT and self.goes_on


class LongForgotten(Network):
    """Node 2 acknowledges long reports of others, and sends none of them on."""

    def report(self, at: float, node: int, data: bytes) -> None:
        self.forgotten = len(data) > 100 and 2 in [to for _, to in way_up(node)]
        super().report(at, node, data)

    def way(self, node: int) -> list[tuple[int, int]]:
        return [hop for hop in way_up(node) if hop[0] != 2] if self.forgotten else way_up(node)

    def answers(self, node: int) -> bool:
        return node != ROOT and not self.forgotten


class SameTag(LostFragments):
    """The same, with one tag for all its datagrams, and another long report at once."""

    def report(self, at: float, node: int, data: bytes) -> None:
        super().report(at, node, data)
        if node == 5 and len(data) > 100:
            self.tags[self.link(5)] = 0
            super().report(at + 20, node, data[::-1])
            self.tags[self.link(5)] = 0


assert PARENTS[7] == 4
