"""Who names which keys in secured frames: noted once for the rules that ask for it at the end."""

from collections import Counter
from typing import NamedTuple

from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.senders import Station
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.values import dataclass, field

_MOST_KEYS = 8  # of one node
_MOST_KINDS = 64  # of destinations and types
LEAST_USUAL = 5  # frames that make a key usual; our choice
_TIMES_MORE = 4  # how many times more frames a node sends than come to it where nobody speaks to it; our choice
LEAST_OTHERS = (
    2  # who name another key together, beside which one that names its own is told; our choice
)


class KeyName(NamedTuple):
    """A key as frames name it: its mode and index in words, and its source."""

    words: str
    source: bytes | None

    def __str__(self) -> str:
        """Return all of it in words."""
        return self.words if self.source is None else f"{self.words}, source {self.source.hex()}"


class KeyUse(NamedTuple):
    """The first and the last frame of a node under a key, their times, and how many there are; the last's numbers."""

    first: int
    first_s: float
    last: int
    last_s: float
    frames: int
    counter: int = 0
    sequence: int | None = None


@dataclass(slots=True)
class KeyUser:
    """A node, as it is shown, and its uses of keys in the order in which they began.

    ``asked`` are the frames that others sent to it, under any key, since it began to use its last one. ``odd`` are keys
    that are missing here, and that it named first beside another, with what was noticed then. ``sent`` are its frames
    by key, destination and type.
    """

    name: str
    uses: dict[KeyName, KeyUse] = field(default_factory=dict)
    asked: int = 0
    odd: dict[KeyName, str] = field(default_factory=dict)
    missing: dict[KeyName, str] = field(default_factory=dict)
    sent: dict[tuple[KeyName, bytes | None, int], int] = field(default_factory=dict)

    @property
    def is_spoken_to(self) -> bool:
        """Return whether others send to it, in return for what it sends under its last key."""
        return self.asked * _TIMES_MORE > [*self.uses.values()][-1].frames

    @property
    def usual(self) -> KeyName | None:
        """Return the key of most of its frames; None before the first."""
        return max(self.uses, key=lambda key: self.uses[key].frames, default=None)

    def names_first(self, key: KeyName) -> bool:
        """Return whether its last frame alone names this key, and some before it another one."""
        use, usual = self.uses.get(key), self.usual
        if use is None or use.frames > 1 or usual is None:
            return False
        return self.uses[usual].frames >= LEAST_USUAL

    def use(
        self, key: KeyName, number: int, time_s: float, counter: int, sequence: int | None
    ) -> None:
        """Take its frame under a key."""
        before = self.uses.get(key)
        if before is None:
            if len(self.uses) >= _MOST_KEYS:
                return
            self.asked = 0
            before = KeyUse(number, time_s, number, time_s, 0)
        self.uses[key] = KeyUse(
            before.first, before.first_s, number, time_s, before.frames + 1, counter, sequence
        )

    def send(self, key: KeyName, destination: bytes | None, frame_type: int) -> None:
        """Count its frame by whom it goes to and what it is."""
        kind = key, destination, frame_type
        if kind in self.sent or len(self.sent) < _MOST_KINDS:
            self.sent[kind] = self.sent.get(kind, 0) + 1


class KeyUsers(FirstNamed[Station, KeyUser]):
    """Who names which keys, by PAN and address."""

    def alone(self, pan: int | None, key: KeyName) -> tuple[KeyUser, KeyName, int] | None:
        """Return who alone names a key, the one that most others name, and how many they are; None where others do."""
        here = [user for (one, _), user in self.items() if one == pan]
        users = [user for user in here if key in user.uses]
        if len(users) != 1:
            return None
        others = Counter(user.usual for user in here if user is not users[0])
        (usual, count), *_ = others.most_common(1) or [(None, 0)]
        return None if usual is None or count < LEAST_OTHERS else (users[0], usual, count)


def key_words(security: Security) -> str:
    """Return mode and index of a key in words."""
    text = f"key id mode {security.key_id_mode}"
    return text if security.key_index is None else f"{text}, index {security.key_index}"
