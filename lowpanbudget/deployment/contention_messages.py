"""Messages on a simulated channel: on their way, and what became of them."""

from collections import defaultdict
from collections.abc import Iterable
from itertools import repeat

from lowpanbudget.deployment.contention_rules import Sending, SimulatedFrame

NOBODY = -1


class MovingMessage:
    """A message on its way: which sending it is of, when it began, how far it is, and what arrived of it there.

    ``sent``: when, by which node and how long its frames, and acknowledgements of them, were on the air; None where
    that is not kept. A frame that goes on by itself is the ``part`` of that number of a ``whole`` message, which then
    is as far as its first frame is.
    """

    __slots__ = ("arrived", "born", "lost", "number", "part", "reached", "sending", "sent", "whole")

    def __init__(
        self, number: int, sending: int, born: float, sent: list[tuple[float, int, float]] | None = None
    ) -> None:  # fmt: skip
        self.number = number
        self.sending = sending
        self.born = born
        self.reached = 0
        self.arrived = 0
        self.lost = False
        self.sent = sent
        self.part = 0
        self.whole: MovingMessage | None = None

    def piece(self, part: int) -> "MovingMessage":
        """Return one of its frames, to go on by itself."""
        one = MovingMessage(self.number, self.sending, self.born, self.sent)
        one.part, one.whole = part, self
        return one


class SettledMessages:
    """What became of the messages of a sending; those still on their way are not counted."""

    __slots__ = ("generated", "latencies")

    def __init__(self) -> None:
        self.generated = 0
        self.latencies: list[float] = []


class MessageLog:
    """All messages to a receiver, by number: on the way, arrived or lost. Times in microseconds.

    ``keeps``: when and where each of them ended is kept as well.
    """

    def __init__(self, sendings: int, *, keeps: bool) -> None:
        self.lost = {"access": 0, "retries": 0, "queue": 0}
        self._sendings = sendings
        # many sendings begin nothing in a short time
        self._settled: defaultdict[int, SettledMessages] = defaultdict(SettledMessages)
        self._outcomes = bytearray()  # 0 on its way, 1 arrived, 2 lost
        self._keeps = keeps
        self._ends: dict[int, tuple[float | None, str, int]] = {}

    def __len__(self) -> int:
        return len(self._outcomes)

    def begin(self) -> int:
        """Return the number of a new message."""
        self._outcomes.append(0)
        return len(self._outcomes) - 1

    def lose(self, message: MovingMessage, cause: str, node: int) -> None:
        """Note that a message can no longer arrive; the first cause counts."""
        message = message.whole or message
        if not message.lost and message.number != NOBODY:
            self.lost[cause] += 1
            self._outcomes[message.number] = 2
            self._settled[message.sending].generated += 1
            if self._keeps:
                self._ends[message.number] = (None, cause, node)
        message.lost = True

    def arrive(self, message: MovingMessage, now: float, node: int) -> None:
        """Note that all of a message is there."""
        message = message.whole or message
        self.came(message.number, message.sending, (now - message.born) / 1e6, now, node)

    def came(self, number: int, sending: int, after_s: float, now: float, node: int) -> None:
        """Note that the message of a number is there, so many seconds after it began."""
        self._outcomes[number] = 1
        settled = self._settled[sending]
        settled.generated += 1
        settled.latencies.append(after_s)
        if self._keeps:
            self._ends[number] = (now, "", node)

    def outcomes(self) -> list[int]:
        """Return 1 for each message that arrived and 0 for each lost, as they began, up to the first open one."""
        end = self._outcomes.find(0)
        return [2 - one for one in self._outcomes[: end if end >= 0 else None]]

    def by_sending(self) -> list[SettledMessages]:
        """Return what became of the messages of each sending so far."""
        return [self._settled[sending] for sending in range(self._sendings)]

    def is_settled(self, number: int) -> bool:
        """Return whether a message arrived or was lost."""
        return self._outcomes[number] > 0

    def end(self, number: int) -> tuple[float | None, str, int]:
        """Return when a message arrived (None: it did not), what lost it, and where."""
        return self._ends.get(number, (None, "", NOBODY))


def moving_frames(
    message: MovingMessage, sending: Sending
) -> Iterable[tuple[MovingMessage, SimulatedFrame]]:
    """Return the frames that a node has to send when a message, or a part of one, is there, with what each moves."""
    frames = sending.forwarded if message.reached and sending.forwarded else sending.frames
    if message.whole is None:
        return zip(repeat(message), frames)
    return ((message, frames[message.part]),)


def received(message: MovingMessage, sending: Sending) -> bool | None:
    """Count a frame that was received at the next node of its way: a message goes on with its last one.

    A part goes on by itself, where it is led if the first one was received there, which told the way. Returns whether
    all of the message is there where it is to arrive; None where nothing comes of the frame yet.
    """
    whole, reached, last = message.whole, message.reached, len(sending.way) - 1
    if whole is None:
        message.arrived += 1
        frames = sending.forwarded if reached and sending.forwarded else sending.frames
        if message.arrived < len(frames):
            return None
        message.arrived = 0
        message.reached = reached + 1
        return reached + 1 == last
    message.reached += 1
    if not message.part:
        whole.reached = message.reached
    if message.reached < last:
        return False if whole.reached >= message.reached or not sending.led else None
    whole.arrived += 1
    return True if whole.arrived == len(sending.frames) else None
