"""What holds for a time only (registrations, paths, prefixes), and what is used when that time is over.

Who grants it anew may have gone unheard. Where the frame numbers of its sender leave no place for a frame, from the one
that granted it to one behind the use, it did not. Otherwise a renewal is due at least once in each lifetime, and that
many in a row are not missed easily.
"""

from collections.abc import Iterable, Iterator
from math import inf
from typing import NamedTuple

from lowpanbudget.capture.recent import Recent
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import HeardSender, Station, pan_of
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import seconds_text

_ON_THE_WAY_S = 1  # for which a frame may have been on its way: our choice
_MISSED = 4  # lifetimes without a renewal, of which some might have gone unheard: our choice
_DEAF_S = 3600  # without any frame: the receiver was off, or its clock was put ahead: our choice
_MOST_WAITING = 16  # uses of one thing that wait for the next frame of who may have renewed it


class Granted(NamedTuple):
    """What holds for ``lifetime_s`` from ``time_s`` on, by frame ``number``; ``source`` renews it with ``receiver``.

    ``taken_back``: its source says itself that it is over, which ``lifetime_s`` later all know.
    """

    lifetime_s: float
    time_s: float
    number: int
    source: bytes
    receiver: bytes | None = None
    taken_back: bool = False

    @property
    def end_s(self) -> float:
        """Return until when it holds."""
        return self.time_s + self.lifetime_s


class _Use(NamedTuple):
    """A use of what is over, in frame ``number``, and what to say of it; ``by`` are those that may have renewed it."""

    granted: Granted
    number: int
    time_s: float
    by: tuple[Station, ...]
    hit: Hit

    @property
    def remarked(self) -> Iterator[Hit]:
        """Yield what is said where a renewal may have gone unheard: nothing as long as that is likely."""
        granted = self.granted
        if granted.taken_back:
            return  # no renewal of it is due at any time
        if self.time_s > granted.time_s + _MISSED * granted.lifetime_s:
            yield self.hit._replace(severity=Severity.REMARK)

    def has_place(self, sender: HeardSender | None) -> bool:
        """Return whether the numbers of a sender leave place for a renewal that nobody heard."""
        since = self.granted.number
        if sender is None or sender.counted is None or sender.jumped > since:
            return True
        holes = sender.holes or ()
        return any(hole.after > since and hole.before < self.number for hole in holes)


class Lifetimes(Recent[int, Granted]):
    """The last that were granted. Before ``due_s`` nothing is over: of a frame that is all that must be asked."""

    def __init__(self) -> None:
        super().__init__()
        self.due_s = inf
        self._changed = False
        self._waiting: Recent[int, list[_Use]] = Recent()

    def grant(self, key: int, granted: Granted) -> None:
        """Take one, in the place of the one before."""
        self.renew(key, granted)
        self.due_s = min(self.due_s, granted.end_s + _ON_THE_WAY_S)
        self._changed = True

    def drop(self, key: int) -> None:
        """Forget one."""
        self._changed = self.pop(key, None) is not None or self._changed

    def is_due(self, time_s: float) -> bool:
        """Return whether anything is over, where ``due_s`` is."""
        if self._changed:
            self._changed = False
            ends_s = (granted.end_s for granted in self.values())
            self.due_s = min(ends_s, default=inf) + _ON_THE_WAY_S
        return time_s > self.due_s

    def over(self, key: int, time_s: float) -> Granted | None:
        """Return the one that is over; None where it still holds, or was never granted."""
        granted = self.get(key)
        if granted is None or not time_s > granted.end_s + _ON_THE_WAY_S:
            return None
        return granted

    def use(
        self,
        key: int,
        scene: Scene,
        hit: Hit,
        said: tuple[str, str],
        others: Iterable[bytes] = (),
    ) -> list[Hit]:
        """Return what is proved by now of the uses of one that is over, of which the frame at hand is the last.

        ``said`` is what granted it, and how it is used; ``others`` may have renewed it as well.
        """
        granted, pan = self[key], None if scene.mac is None else pan_of(scene.mac)
        deaf_s = scene.known.pauses.widest_since(granted.time_s)
        if deaf_s > _DEAF_S and not scene.time_s - deaf_s > granted.end_s + _ON_THE_WAY_S:
            return []
        by = tuple((pan, node) for node in dict.fromkeys((granted.source, *others)))
        age, late = (
            seconds_text(scene.time_s - since_s) for since_s in (granted.time_s, granted.end_s)
        )
        evidence = f"frame {granted.number}: {said[0]}; frame {scene.number}: {said[1]} {age} later"
        if not granted.taken_back:
            evidence += f", {late} too late"
        frames = granted.number, *scene.numbers
        use = _Use(
            granted,
            scene.number,
            scene.time_s,
            by,
            hit._replace(evidence=(evidence,), frames=frames),
        )
        waiting = self._waiting.get(key)
        if waiting is None:
            waiting = self._waiting[key] = []
        if len(waiting) < _MOST_WAITING:
            waiting.append(use)
        return list(self._proved(waiting, scene.known))

    def end(self, known: Surroundings) -> Iterator[Hit]:
        """Yield what the end of the capture proves; what still waits is not."""
        for waiting in self._waiting.values():
            yield from self._proved(waiting, known)
            for use in waiting:
                yield from use.remarked
                if use.granted.taken_back and not any(map(use.has_place, known.senders.values())):
                    # the node itself sent nothing since; a receiver that misses nothing of others hears it as well
                    yield use.hit._replace(severity=Severity.REMARK)

    @staticmethod
    def _proved(waiting: list[_Use], known: Surroundings) -> Iterator[Hit]:
        """Yield what is proved of these uses; leave those that wait for a frame."""
        uses = waiting.copy()
        waiting.clear()
        for use in uses:
            senders = [known.senders.get(station) for station in use.by]
            if any(map(use.has_place, senders)):
                yield from use.remarked
            elif any(one is not None and one.sent < use.number for one in senders):
                waiting.append(use)
            else:
                yield use.hit
