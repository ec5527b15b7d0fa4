"""The frames that wait in the nodes of a simulated network, and the places that they take."""

from collections import Counter, deque

from lowpanbudget.deployment.contention_messages import MovingMessage
from lowpanbudget.deployment.contention_rules import SimulatedFrame
from lowpanbudget.design.waiting import SendQueue

WaitingFrames = deque[tuple[MovingMessage, SimulatedFrame, int]]  # message, frame, receiver


class TakenPlaces:
    """How many places of each node are taken, by frames to all its receivers together or to each of them."""

    def __init__(self, queue: SendQueue | None) -> None:
        self._queue = queue
        self._shared = queue is None or queue.shared
        self._taken: Counter[tuple[int, int]] = Counter()

    def take(self, node: int, to: int) -> bool:
        """Take a place of a node for a frame to a receiver; return whether there was one."""
        whose = (node, node if self._shared else to)
        if self._queue is not None and self._taken[whose] >= self._queue.of(node):
            return False
        self._taken[whose] += 1
        return True

    def leave(self, node: int, to: int) -> None:
        """Leave the place of such a frame."""
        self._taken[node, node if self._shared else to] -= 1
