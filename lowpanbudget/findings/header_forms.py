"""Checksums between two addresses under headers of one form: what a reading says of wrong ones holds for all of them.

A sum has 16 bits: one bit changed on the way looks like a slip of the sender at times. Whoever slips does so with all
datagrams of a form, so right ones among them refute it, unless wrong ones follow each other that all say the same.
Wrong ones that no reading explains do so too where they are more: who has one cause for all has no other for a few.
"""

from enum import Enum

from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Certainty, Hit
from lowpanbudget.findings.heard_headers import HeaderForm
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.sums import ContextPair, Differences
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.values import dataclass, field

DISTINCT = 3  # checksums one after the other under one reading that make it no chance
_MOST_DETAILS = 64
_MOST_TEXTS = 4

Detail = int | tuple[int, int] | None  # octets, or both ports


def is_sum_elided(datagram: HeardDatagram) -> bool:
    """Return whether its checksum is not carried, but made by the receiver: it proves nothing of the sender's."""
    packed = (one for one in datagram.layers if isinstance(one, UdpNhc))
    return any(not one.rows["checksum"].inline for one in packed)


@dataclass(slots=True)
class HeldReading:
    """A reading of wrong checksums until the end tells whether it holds.

    ``hit`` is the first, ``text`` its reading, ``sender`` who sent it. ``sums`` are the last checksums without a right
    one between, ``most`` how many of them there were at most. ``beside`` are all wrong ones of the sender under the
    same contexts; ``is_proved``: right ones came between them, so that its contexts are not the cause. ``off`` is by
    how much the sums are off that lean on ``contexts``.
    """

    hit: Hit
    text: str
    sender: str
    count: int = 0
    sums: set[int] = field(default_factory=set)
    most: int = 0
    evidence: list[str] = field(default_factory=list)
    frames: Frames = field(default_factory=Frames)
    beside: Differences | None = None
    is_proved: bool = False
    contexts: ContextPair = (None, None)
    off: set[int] = field(default_factory=set)

    def take(self, carried: int, off: int, evidence: str, numbers: tuple[int, ...]) -> None:
        """Note one more checksum under this reading, and by how much it is off."""
        self.count += 1
        if len(self.off) < 2:
            self.off.add(off)
        if len(self.sums) < DISTINCT:
            self.sums.add(carried)
        self.most = max(self.most, len(self.sums))
        if len(self.evidence) < _MOST_TEXTS and evidence not in self.evidence:
            self.evidence.append(evidence)
        self.frames.note(*numbers)

    def told(self, *, beside_right: bool) -> Hit:
        """Return what they prove together."""
        certainty = Certainty.CAPTURE if beside_right else None
        return self.hit._replace(
            evidence=tuple(self.evidence), frames=tuple(self.frames), times=self.count, certainty=certainty
        )  # fmt: skip


HeldKey = tuple[Enum, str, Detail]  # the slip, what it changes, and what it depends on


@dataclass(slots=True)
class SumsOfForm:
    """What was heard under one form: the details of ``rights``, and readings of wrong ones that are ``held``.

    ``unread`` counts the wrong ones that no reading explains, by their details. ``contexts`` are those that the
    addresses of right ones lean on.
    """

    rights: set[Detail] = field(default_factory=set)
    contexts: ContextPair = (None, None)
    unread: dict[Detail, int] = field(default_factory=dict)
    held: dict[HeldKey, HeldReading] = field(default_factory=dict)

    def needs(self, datagram: HeardDatagram) -> bool:
        """Return whether one more right checksum of such a datagram would tell anything."""
        rights = self.rights
        if self.held or None not in rights:
            return True
        known = len(datagram.octets) in rights and datagram.ports in rights
        return not known and len(rights) < _MOST_DETAILS

    def take_right(self, datagram: HeardDatagram) -> None:
        """Note a datagram with a right checksum."""
        details, self.contexts = self._interrupt(datagram), datagram.contexts_used
        if len(self.rights) < _MOST_DETAILS:
            self.rights |= details

    def take_unread(self, datagram: HeardDatagram) -> None:
        """Note a datagram with a wrong checksum that no reading explains."""
        for detail in self._interrupt(datagram):
            if detail in self.unread or len(self.unread) < _MOST_DETAILS:
                self.unread[detail] = self.unread.get(detail, 0) + 1

    def _interrupt(self, datagram: HeardDatagram) -> set[Detail]:
        """Begin new rows of the readings that do not explain a datagram, and return its details."""
        details = {None, len(datagram.octets), datagram.ports}
        for (_, _, detail), reading in self.held.items():
            if detail in details:
                reading.sums.clear()
        return details

    def hits(self, slip: Enum) -> list[tuple[HeldReading, Hit]]:
        """Return the readings of a slip that hold, with what each proves."""
        held = ((key, one) for key, one in self.held.items() if key[0] is slip)
        return [
            (one, one.told(beside_right=key[2] in self.rights))
            for key, one in held
            if not self._is_refuted(key, one)
        ]

    @property
    def refuted(self) -> list[tuple[HeldReading, int]]:
        """Return the readings that others refute: of wrong ones so many, or none but right ones."""
        return [
            (one, 0 if key[2] in self.rights else self.unread[key[2]])
            for key, one in self.held.items()
            if self._is_refuted(key, one)
        ]

    def _is_refuted(self, key: HeldKey, reading: HeldReading) -> bool:
        if reading.most >= DISTINCT:
            return False
        return key[2] in self.rights or self.unread.get(key[2], 0) > reading.count


SumsByForm = FirstNamed[HeaderForm, SumsOfForm]
