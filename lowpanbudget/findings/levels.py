"""Security levels of the nodes of a network: which is the usual one, and who uses less, but for those who join."""

from collections.abc import Mapping
from typing import NamedTuple

from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.layers.link.auxiliary import LEVELS, Security
from lowpanbudget.values import dataclass


@dataclass(slots=True)
class LevelUse:
    """Frames under one security level: how many there are, the first and the last."""

    frames: int = 0
    first: int = 0
    last: int = 0

    def take(self, first: int, last: int, frames: int = 1) -> None:
        """Take frames from one number to another."""
        self.first = min(self.first or first, first)
        self.last, self.frames = max(self.last, last), self.frames + frames


# how frames name a key: mode, source and index
NamedKey = tuple[int, bytes | None, int | None]


class LevelUses(FirstNamed[tuple[int, NamedKey, bytes | None], LevelUse]):
    """What a node secures how: by level and key, and by receiver where that is less than its ``highest`` so far."""

    MOST = 64
    highest = 0

    def seal(self, security: Security, to: bytes | None, number: int) -> None:
        """Take a frame."""
        level = security.level
        self.highest = max(self.highest, level)
        key = security.key_id_mode, security.key_source, security.key_index
        use = self.entry((level, key, to if level < self.highest else None), LevelUse)
        if use is not None:
            use.take(number, number)


class UsualLevel(NamedTuple):
    """The level of most frames, how many nodes use it, and for how many frames."""

    level: int
    nodes: int
    frames: int


def usual_level(nodes: Mapping[bytes, LevelUses]) -> UsualLevel:
    """Return the level that most frames of a network have."""
    frames: dict[int, int] = {}
    for uses in nodes.values():
        for (level, _, _), use in uses.items():
            frames[level] = frames.get(level, 0) + use.frames
    most = max(frames, key=lambda level: frames[level], default=0)
    users = sum(any(level == most for level, _, _ in uses) for uses in nodes.values())
    return UsualLevel(most, users, frames.get(most, 0))


def lower_levels(nodes: Mapping[bytes, LevelUses], usual: int) -> dict[int, dict[bytes, LevelUse]]:
    """Return the levels that lack something of the usual one, with what each node sends under them.

    What goes under another key from or to a node that has sent nothing at the usual level so far, and will, is how it
    joins, and is left out.
    """
    begun: dict[bytes, int] = {}  # the first frame of a node at the usual level
    keys: set[NamedKey] = set()
    for node, uses in nodes.items():
        for (level, key, _), use in uses.items():
            if level == usual:
                keys.add(key)
                begun[node] = min(begun.get(node, use.first), use.first)
    lower: dict[int, dict[bytes, LevelUse]] = {}
    for node, uses in nodes.items():
        for (level, key, to), use in uses.items():
            joins = key not in keys and use.last < max(
                begun.get(node, 0), 0 if to is None else begun.get(to, 0)
            )
            if LEVELS[level].lacks_of(LEVELS[usual]) and not joins:
                lower.setdefault(level, {}).setdefault(node, LevelUse()).take(
                    use.first, use.last, use.frames
                )
    return lower
