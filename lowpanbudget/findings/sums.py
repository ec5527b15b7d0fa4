"""Checksums that no single reading explains, by sender: whether they are all off by the same, and what fits that."""

from typing import NamedTuple

from lowpanbudget.env import Contexts
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.values import dataclass, field

MOST_ROUTERS = 8  # that sent on wrong checksums of one sender; our choice
DISTINCT = 3  # checksums with one difference that make it no chance
MOST_TEXTS = 4
ContextPair = tuple[int | None, int | None]


PORT_BITS = 16


def off_by(carried: int, computed: int) -> int:
    """Return by how much a checksum is off: what the sender summed up is more by this (RFC 1071)."""
    return (computed - carried) % 0xFFFF


class PortForm(NamedTuple):
    """A port as it was restored: ``side`` is source or destination, ``bits`` how many were carried, the last ones."""

    side: str
    port: int
    bits: int

    def may_stand_for(self, port: int) -> bool:
        """Return whether another port leaves the same bits."""
        return port != self.port and not (port ^ self.port) & ((1 << self.bits) - 1)

    def text(self, port: int) -> str:
        """Return in words that it stands for another port."""
        return f"the {self.side} port is {port}, of which the form of the ports carries the last {self.bits} bits"


@dataclass(slots=True)
class Differences:
    """Checksums of a sender that nothing explains: how many, what they should be and by how much they are off.

    ``contexts`` are those that its source and destination lean on, ``held`` what was known then, given or announced.
    ``text``: what reading them said. ``flips`` are the bits in which they differ, ``lengths`` the octets that they
    cover; ``is_without_length``: all are right without it. ``forms`` are the ports that are carried in part, with how
    many bits. ``is_explained``: known readings explain one, only several, so that no prefix is guessed.
    ``is_refuted``: right ones came between them, after the last of them ``is_right_since``.
    ``ports`` are both, ``kind`` is what it is of, UDP or ICMPv6, ``destination`` the other end of its pseudo-header.
    ``is_beside_right``: right ones came before them, between the same addresses. ``by`` are those that sent them on
    where they were heard first, the sender itself among them; ``source`` is the address of the last.
    ``every`` are all wrong ones of the sender, explained or not: the bits in which they differ, by how much they are
    off, and ``every_count`` how many.
    """

    contexts: ContextPair
    text: str = ""
    held: Contexts = field(default_factory=Contexts)
    count: int = 0
    computed: set[int] = field(default_factory=set)
    off: set[int] = field(default_factory=set)
    flips: set[int] = field(default_factory=set)
    lengths: set[int] = field(default_factory=set)
    is_without_length: bool = True
    forms: set[tuple[PortForm, ...]] = field(default_factory=set)
    is_explained: bool = False
    is_right_since: bool = False
    is_refuted: bool = False
    is_beside_right: bool = False
    by: set[str] = field(default_factory=set)
    source: int = 0
    destination: int = 0
    kind: int = 0
    ports: set[tuple[int, int]] = field(default_factory=set)
    every: tuple[set[int], set[int]] = field(default_factory=lambda: (set(), set()))
    every_count: int = 0
    evidence: list[str] = field(default_factory=list)
    frames: Frames = field(default_factory=Frames)

    def take(
        self,
        carried: int,
        computed: int,
        tried: int,
        length: int,
        *,
        is_without_length: bool,
        is_explained: bool,
    ) -> None:
        """Note a checksum that is carried, what was computed, readings tried, and the octets that it covers."""
        self.count += 1
        self.see(carried, computed)
        self.is_refuted |= self.is_right_since
        self.is_without_length &= is_without_length
        self.is_explained |= is_explained
        for several, one in ((self.flips, carried ^ computed), (self.lengths, length)):
            if len(several) < 2:
                several.add(one)
        if len(self.computed) < DISTINCT:
            self.computed.add(computed)
        if len(self.off) < 2:
            self.off.add(off_by(carried, computed))
        text = f"checksum carried {carried:#06x}, computed {computed:#06x}; {tried} readings tried"
        if len(self.evidence) < MOST_TEXTS and text not in self.evidence:
            self.evidence.append(text)

    def see(self, carried: int, computed: int) -> None:
        """Note by what a wrong checksum differs, be it explained or not."""
        self.every_count += 1
        for several, one in zip(
            self.every, (carried ^ computed, off_by(carried, computed)), strict=True
        ):
            if len(several) <= 2:
                several.add(one)

    def is_off_beside(self, sums: set[int]) -> bool:
        """Return whether some that nothing explains are off by the same as these: what explains these is chance."""
        known = self.leans and self.count > 0 and len(self.computed) + len(sums) >= DISTINCT
        known = known and not (self.is_refuted or self.is_right_since or self.is_explained)
        return known and len(self.off) == 1 and self.off == self.every[1]

    def take_over(self, count: int, sums: set[int], frames: list[int]) -> None:
        """Count so many more of these checksums as not explained."""
        self.count += count
        self.computed |= sums  # as many different ones
        self.frames[:] = sorted({*self.frames, *frames})

    @property
    def inverted(self) -> int:
        """Return the one bit that is inverted in all of them, cleared in some and set in others; 0 without such a bit.

        No address or length that is added to a sum does that: it adds the same to all.
        """
        bits, off = self.every
        only = next(iter(bits)) if len(bits) == 1 else 0
        is_bit = len(off) == 2 and len(self.computed) >= DISTINCT and not only & (only - 1)
        return only if is_bit and not self.is_refuted else 0

    @property
    def leans(self) -> bool:
        """Return whether an address leans on a context."""
        return self.contexts != (None, None)

    @property
    def constant(self) -> int:
        """Return by how much all are off that lean on a context, where that is the same; 0 of any others."""
        return self._lone_off if self.leans and len(self.computed) >= DISTINCT else 0

    @property
    def prefix_off(self) -> int:
        """Return by how much all are off, be they few, as under another prefix; 0 where it is none."""
        return 0 if self.is_without_length or self.inverted or not self.leans else self._lone_off

    @property
    def _lone_off(self) -> int:
        known = len(self.off) == 1 and not (self.is_refuted or self.is_explained)
        return next(iter(self.off)) if known else 0

    @property
    def flip(self) -> int:
        """Return the one bit in which all checksums differ from the right ones; 0 where there is no such bit."""
        only = next(iter(self.flips)) if len(self.flips) == 1 else 0
        return 0 if only & (only - 1) else only


class DifferencesOfSenders(FirstNamed[tuple[str, ContextPair], Differences]):
    """By sender, and the contexts that its addresses lean on."""

    def __init__(self) -> None:
        super().__init__()
        self._renamed = FirstNamed[str, set[int]]()

    def rename(self, name: str, off: int) -> None:
        """Forget sums of a name that are off by so much, then and now: it stands in frames of another node."""
        offs = self._renamed.entry(name, set)
        if offs is None:
            return
        offs.add(off)
        for key in [one for one, found in self.items() if one[0] == name and found.off <= offs]:
            del self[key]

    def is_renamed(self, name: str, carried: int, computed: int) -> bool:
        """Return whether a wrong sum is that of another node, in whose frames this name stands."""
        return off_by(carried, computed) in self._renamed.get(name, ())

    @property
    def inverting(self) -> set[str]:
        """Return the senders in all of whose wrong checksums one bit is inverted: what fits some of them is chance."""
        return {name for (name, _), found in self.items() if found.inverted}
