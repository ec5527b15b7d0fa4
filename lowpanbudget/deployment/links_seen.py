"""The links of a capture: how many tries frames took, and how many of them were acknowledged."""

from collections.abc import Collection

from lowpanbudget.deployment.confidence import share_of
from lowpanbudget.deployment.journeys import Tries
from lowpanbudget.deployment.measured import MeasuredLink
from lowpanbudget.design.meaning import Design
from lowpanbudget.values import dataclass

MOST_LINKS = 8192
_IN_VAIN = 5  # frames of a link, all of them tried as often as one may be; our choice
_USUAL_RETRIES = (
    3  # macMaxFrameRetries where no design tells it (IEEE 802.15.4-2020 table 8-94, from memory)
)


def most_tries(design: Design | None) -> int:
    """Return how often a frame is tried until its sender gives it up, by a design or as usual.

    A sender that stops before that has had its acknowledgement, whoever heard it.
    """
    access = None if design is None else design.access
    return 1 + (_USUAL_RETRIES if access is None else access.retries)


def perhaps_acknowledged(stopped: int, used_up: int, missed: int = 0) -> int:
    """Return how many frames without an acknowledgement on their last try may have had one.

    Those ``stopped`` before their tries were used up had one that was not heard here, or were given up too early. Of
    the others no more than so many, and than other frames that were ``missed`` here: few come to their last try.
    """
    return stopped + min(used_up, stopped + missed)


@dataclass(slots=True, eq=False)
class _LinkSum:
    """Frames of a link that are over."""

    frames: int = 0
    octets: int = 0
    tries: int = 0
    most: int = 0
    once: int = 0
    answers: int = 0
    unanswered: int = 0
    ended: int = 0
    stopped: int = 0
    used_up: int = 0
    answer_octets: int = 0
    refused: int = 0


class Links:
    """Collects the frames of each link, those that asked for an acknowledgement and may be tried ``most`` times.

    ``unasked`` counts the others, by link: how often each was tried nobody knows.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self.unasked: dict[tuple[bytes, bytes], int] = {}
        self._sums: dict[tuple[bytes, bytes], _LinkSum] = {}
        self._open: dict[tuple[bytes, bytes], list[Tries]] = {}

    def add(self, tries: Tries) -> None:
        """Take a frame that is sent the first time; it is summed up once others have followed it."""
        link = tries.sender, tries.receiver
        if not tries.asks:
            if link in self.unasked or len(self.unasked) < MOST_LINKS:
                self.unasked[link] = self.unasked.get(link, 0) + 1
            return
        if link not in self._open and len(self._open) >= MOST_LINKS:
            return
        waiting = self._open.setdefault(link, [])
        waiting.append(tries)
        if len(waiting) > _STILL_OPEN:
            self._close(link, waiting.pop(0))

    def _close(self, link: tuple[bytes, bytes], tries: Tries) -> None:
        if tries.is_old:
            return  # nobody of this link sent it
        found = self._sums.setdefault(link, _LinkSum())
        found.frames += 1
        found.octets += tries.octets
        found.tries += tries.times
        found.most = max(found.most, tries.times)
        found.once += tries.times == 1
        found.answers += min(tries.answers, tries.times)
        stopped = tries.stopped_before(self._most)
        found.unanswered += not tries.answers and not stopped
        found.ended += tries.last_answered
        found.stopped += stopped
        found.used_up += tries.is_open and not stopped
        found.refused += min(tries.refusals, tries.times)
        found.answer_octets = max(found.answer_octets, tries.answer_octets)

    def links(self, answering: Collection[bytes]) -> tuple[MeasuredLink, ...]:
        """Return what each link took, the most frames first; ``answering`` are heard to acknowledge."""
        for link, waiting in self._open.items():
            for tries in waiting:
                self._close(link, tries)
            waiting.clear()
        found = []
        for (sender, receiver), one in self._sums.items():
            perhaps = perhaps_acknowledged(one.stopped, one.used_up)
            # who tries all frames as often as may be has no acknowledgement, whoever hears one
            in_vain = self._most > 1 and not one.stopped and one.used_up >= _IN_VAIN
            is_known = receiver in answering or in_vain
            found.append(
                MeasuredLink(
                    sender,
                    receiver,
                    one.frames,
                    one.octets / one.frames,
                    one.tries,
                    one.most,
                    share_of(one.once, one.frames),
                    share_of(one.answers, one.tries) if is_known else None,
                    one.unanswered if is_known else None,
                    share_of(one.ended, one.tries, perhaps) if is_known else None,
                    one.answer_octets,
                    perhaps if is_known else 0,
                    one.refused,
                )
            )
        return tuple(sorted(found, key=lambda one: (-one.frames, one.sender, one.receiver)))


_STILL_OPEN = 16  # frames of a link whose tries may still come
