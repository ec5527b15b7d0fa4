"""Checksums that no reading explains, by sender: whether they are all off by the same."""

from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.values import dataclass, field

DISTINCT = 3  # checksums with one difference that make it no chance
MOST_TEXTS = 4
ContextPair = tuple[int | None, int | None]


@dataclass(slots=True)
class Differences:
    """Checksums of a sender that nothing explains: how many, what they should be and by how much they are off.

    ``contexts`` are those that its source and destination lean on. ``text``: what reading them said.
    """

    contexts: ContextPair
    text: str
    count: int = 0
    computed: set[int] = field(default_factory=set)
    off: set[int] = field(default_factory=set)
    evidence: list[str] = field(default_factory=list)
    frames: Frames = field(default_factory=Frames)

    def take(self, carried: int, computed: int, tried: int, numbers: tuple[int, ...]) -> None:
        """Note a checksum that is carried, what was computed for it, and how many readings were tried."""
        self.count += 1
        if len(self.computed) < DISTINCT:
            self.computed.add(computed)
        if len(self.off) < 2:
            # what the sender summed up is more by this, in the arithmetic of RFC 1071
            self.off.add((computed - carried) % 0xFFFF)
        text = f"checksum carried {carried:#06x}, computed {computed:#06x}; {tried} readings tried"
        if len(self.evidence) < MOST_TEXTS and text not in self.evidence:
            self.evidence.append(text)
        self.frames.note(*numbers)

    @property
    def constant(self) -> int:
        """Return by how much all are off that lean on a context, where that is the same; 0 of any others."""
        known = self.contexts != (None, None) and len(self.computed) >= DISTINCT
        return next(iter(self.off)) if known and len(self.off) == 1 else 0


DifferencesOfSenders = FirstNamed[tuple[str, ContextPair], Differences]
