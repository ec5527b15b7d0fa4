"""Absolute slot numbers in beacons beside those that the capture has for the same frames: which nodes are off.

The receiver of a capture is one clock for all nodes. It may count otherwise than the network, and it may stumble: a
node is off where beacons of others, with one difference to the receiver, stand before and behind its own.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator
from typing import NamedTuple

from lowpanbudget.capture.recent import Recent
from lowpanbudget.errors import plural
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.senders import Station
from lowpanbudget.values import dataclass, field

# our choices
_FEWEST = 3  # beacons that are off, and beacons that tell how the receiver counts
_MOST_DIFFERENCES = 8  # that are remembered of a node, and of a network
_MOST_BETWEEN = 16  # beacons between two with one difference
_AGREED = 0.95  # share of the others' beacons that agree, where times alone tell slots
_MOST_NETWORKS = 32  # that each receiver hears

Network = tuple[str | None, int | None]  # a receiver, and a PAN that it hears


class TwoNumbers(NamedTuple):
    """The absolute slot number that a beacon tells, and the one that the capture has for its frame."""

    told: int
    slot: int
    frame: int

    @property
    def difference(self) -> int:
        """Return how far the beacon is ahead."""
        return self.told - self.slot


@dataclass(slots=True)
class _OffBeacons:
    """Beacons of a node that are off from others with one difference; how many it had sent with the first and last."""

    times: int = 0
    since: int = 0
    until: int = 0
    frames: Frames = field(default_factory=Frames)
    evidence: list[str] = field(default_factory=list)
    differences: set[int] = field(default_factory=set)

    @property
    def is_lasting(self) -> bool:
        """Return whether most beacons were off while any was: a receiver may miss a slot now and then."""
        return self.times >= _FEWEST and 2 * self.times >= self.until - self.since + 1


@dataclass(slots=True)
class _BeaconSender:
    """The beacons of a node as a receiver hears them."""

    name: str
    sent: int = 0
    differences: Counter[int] = field(default_factory=Counter)
    first: Frames = field(default_factory=Frames)
    off: dict[int, _OffBeacons] = field(default_factory=dict)

    def take(self, numbers: TwoNumbers) -> int:
        """Count a beacon; return how many there are."""
        self.sent += 1
        if numbers.difference in self.differences or len(self.differences) < _MOST_DIFFERENCES:
            self.differences[numbers.difference] += 1
        self.first.note(numbers.frame)
        return self.sent

    def note_off(self, usual: int, sent: int, numbers: TwoNumbers) -> None:
        """Note that beacons of others had the difference ``usual`` before and behind this one."""
        if usual not in self.off and len(self.off) >= _MOST_DIFFERENCES:
            return
        off = self.off.setdefault(usual, _OffBeacons(since=sent))
        off.times, off.until = off.times + 1, sent
        off.frames.note(numbers.frame)
        if len(off.differences) < _MOST_DIFFERENCES:
            off.differences.add(numbers.difference - usual)
        if len(off.evidence) < _FEWEST:
            off.evidence.append(
                f"frame {numbers.frame}: ASN {numbers.told}, sent in slot {numbers.slot + usual}"
            )


@dataclass(slots=True)
class _AgreedBefore:
    """Who sent the last beacon with a difference, and those with others since: who, its how many, and its numbers."""

    node: bytes
    between: list[tuple[bytes, int, TwoNumbers]] = field(default_factory=list)


class ToldSlots:
    """Holds what beacons tell against what the capture has for them."""

    def __init__(self) -> None:
        self._nodes = FirstNamed[tuple[Network, bytes], _BeaconSender]()
        self._flanks = Recent[Network, Recent[int, _AgreedBefore]](_MOST_NETWORKS)

    def take(self, receiver: str | None, station: Station, name: str, numbers: TwoNumbers) -> None:
        """Take a beacon."""
        network, source = (receiver, station[0]), station[1]
        node = self._nodes.entry((network, source), lambda: _BeaconSender(name))
        if node is None:
            return
        sent, difference = node.take(numbers), numbers.difference
        flanks = self._flanks.get(network)
        if flanks is None:
            flanks = self._flanks[network] = Recent(_MOST_DIFFERENCES)
        before = flanks.get(difference)
        for usual, flank in flanks.items():
            if usual != difference:
                flank.between.append((source, sent, numbers))
        for usual in [usual for usual, one in flanks.items() if len(one.between) > _MOST_BETWEEN]:
            del flanks[usual]
        if before is not None:
            between = {one for one, *_ in before.between}
            if not between & {source, before.node}:
                for one, turn, odd in before.between:
                    self._nodes[network, one].note_off(difference, turn, odd)
        flanks.renew(difference, _AgreedBefore(source))

    def hits(self) -> Iterator[Hit]:
        """Yield which nodes are off, and where the receiver is."""
        networks = defaultdict[Network, list[_BeaconSender]](list)
        for (network, _), node in self._nodes.items():
            networks[network].append(node)
        for (receiver, pan), nodes in networks.items():
            usual = _usual(nodes)
            off = [node for node in nodes if usual in node.off and node.off[usual].is_lasting]
            if 2 * len(off) <= len(nodes):
                for node in off:
                    yield _off_hit(node, usual, len(nodes) - len(off))
            if usual:
                yield from _otherwise(nodes, usual, receiver, pan)

    def hits_beside_agreed(self) -> Iterator[Hit]:
        """Yield which nodes are off alike each time, where all others of their network agree but for a few beacons.

        Where there are as many of both, nobody can tell which are off: they disagree.
        """
        networks = defaultdict[Network, list[_BeaconSender]](list)
        for (network, _), node in self._nodes.items():
            networks[network].append(node)
        for nodes in networks.values():
            usual = _usual(nodes)
            off = [node for node in nodes if usual in node.off and node.off[usual].is_lasting]
            others = [node for node in nodes if node not in off]
            if any(node.differences[usual] < _AGREED * node.sent for node in others):
                continue
            alike = [node for node in off if len(node.off[usual].differences) == 1]
            if alike and len(others) == len(off):
                yield _apart(alike, usual, others)
            for node in alike if len(others) > len(off) else ():
                yield _off_hit(node, usual, len(others))


def _usual(nodes: list[_BeaconSender]) -> int:
    """Return the difference that most nodes have; of several the least."""
    votes = Counter(node.differences.most_common(1)[0][0] for node in nodes)
    return min(votes, key=lambda one: (-votes[one], abs(one), one))


def _ahead(slots: int) -> str:
    return f"{plural(abs(slots), 'slot')} {'ahead' if slots > 0 else 'behind'}"


def _off_hit(node: _BeaconSender, usual: int, others: int) -> Hit:
    off = node.off[usual]
    how = _ahead(*off.differences) if len(off.differences) == 1 else "off, now more and now less"
    cause = f"beacons tell absolute slot numbers (ASN) that are {how}: not those of the slots they were sent in"
    told = "tells" if others == 1 else "tell"
    beside = f"{plural(others, 'other node')} {told} the number of the slot"
    evidence = (*off.evidence, beside)
    return Hit(cause, evidence, node.name, tuple(off.frames), advice=_OFF, times=off.times)


def _apart(nodes: list[_BeaconSender], usual: int, others: list[_BeaconSender]) -> Hit:
    """Return that nodes and as many others tell different numbers."""
    names, off = sorted(one.name for one in (*nodes, *others)), nodes[0].off[usual]
    slots = plural(abs(next(iter(off.differences))), "slot")
    cause = f"beacons of these nodes tell absolute slot numbers (ASN) that are {slots} apart"
    evidence = tuple(text.replace("sent in slot", "by the other") for text in off.evidence)
    both, frames = " and ".join(names), tuple(off.frames)
    return Hit(cause, evidence, both, frames, Severity.REMARK, _EITHER, off.times)


def _otherwise(
    nodes: list[_BeaconSender], usual: int, receiver: str | None, pan: int | None
) -> Iterator[Hit]:
    """Yield that a receiver counts otherwise than most beacons of a network."""
    alike = [node for node in nodes if node.differences[usual]]
    times = sum(node.differences[usual] for node in alike)
    if times < _FEWEST or 2 * times <= sum(node.sent for node in nodes):
        return
    who = "the capture" if receiver is None else f"receiver {receiver}"
    cause = f"beacons tell absolute slot numbers (ASN) {_ahead(usual)} of those that the capture has for them"
    if len(nodes) > 1:
        cause += ", and all nodes alike" if len(alike) == len(nodes) else ", and most nodes alike"
    frames = alike[0].first
    subject = who if pan is None else f"{who} and PAN {pan:#06x}"
    yield Hit(cause, (), subject, tuple(frames), Severity.REMARK, _RECEIVER, times)


_OFF = (
    "Look how the node takes the number over when it joins, and when it writes it: it is that of the slot in which the "
    "beacon goes out, not of the one in which it was built."
)
_EITHER = (
    "Beacons alone do not tell which is right: look at the one that joined later. It takes the number from the other, "
    "and both count from that of the coordinator."
)
_RECEIVER = (
    "One of both counts otherwise. Where integrity codes hold whose nonce is the slot number that the capture has, the "
    "beacons are wrong; else set the receiver by a beacon."
)
