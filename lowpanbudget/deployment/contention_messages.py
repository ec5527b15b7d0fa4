"""Messages on a simulated channel: on their way, and what became of them."""

from lowpanbudget.deployment.contention_rules import Sending, SimulatedFrame

NOBODY = -1


class MovingMessage:
    """A message on its way: which sending it is of, when it began, how far it is, and what arrived of it there.

    ``sent``: when, by which node and how long its frames, and acknowledgements of them, were on the air; None where
    that is not kept.
    """

    __slots__ = ("arrived", "born", "lost", "number", "reached", "sending", "sent")

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
        self._settled = [SettledMessages() for _ in range(sendings)]
        self._outcomes = bytearray()  # 0 on its way, 1 arrived, 2 lost
        self._sending_of: list[int] = []
        self._keeps = keeps
        self._ends: dict[int, tuple[float | None, str, int]] = {}

    def __len__(self) -> int:
        return len(self._outcomes)

    def begin(self, sending: int) -> int:
        """Return the number of a new message."""
        self._outcomes.append(0)
        self._sending_of.append(sending)
        return len(self._outcomes) - 1

    def sending_of(self, number: int) -> int:
        """Return the number of the sending that a message is of."""
        return self._sending_of[number]

    def lose(self, message: MovingMessage, cause: str, node: int) -> None:
        """Note that a message can no longer arrive; the first cause counts."""
        if not message.lost and message.number != NOBODY:
            self.lost[cause] += 1
            self._outcomes[message.number] = 2
            self._settled[message.sending].generated += 1
            if self._keeps:
                self._ends[message.number] = (None, cause, node)
        message.lost = True

    def arrive(self, message: MovingMessage, now: float, node: int) -> None:
        """Note that all of a message is there."""
        self._outcomes[message.number] = 1
        settled = self._settled[message.sending]
        settled.generated += 1
        settled.latencies.append((now - message.born) / 1e6)
        if self._keeps:
            self._ends[message.number] = (now, "", node)

    def outcomes(self) -> list[int]:
        """Return 1 for each message that arrived and 0 for each lost, as they began, up to the first open one."""
        end = self._outcomes.find(0)
        return [2 - one for one in self._outcomes[: end if end >= 0 else None]]

    def by_sending(self) -> list[SettledMessages]:
        """Return what became of the messages of each sending so far."""
        return self._settled

    def is_settled(self, number: int) -> bool:
        """Return whether a message arrived or was lost."""
        return self._outcomes[number] > 0

    def end(self, number: int) -> tuple[float | None, str, int]:
        """Return when a message arrived (None: it did not), what lost it, and where."""
        return self._ends.get(number, (None, "", NOBODY))


def frames_of(sending: Sending, reached: int) -> tuple[SimulatedFrame, ...]:
    """Return the frames of a message behind so many hops."""
    return sending.forwarded if reached and sending.forwarded else sending.frames
