"""Where frames wait: ``[queue]`` of every node, and ``[sleep]`` of nodes whose parent holds what is for them."""

from collections.abc import Iterator
from decimal import Decimal
from typing import Literal

from lowpanbudget.design.table import ShapeTable, key
from lowpanbudget.design.takes import SELDOM_S, Every, Exact, Flag, Whole, Words
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.values import dataclass


class QueueShape(ShapeTable):
    """Where frames wait in a node before they are sent."""

    frames: int = key(
        Whole(1, 100_000),
        "Frames that a node holds, the one that is being sent included; a fragment takes one place.",
    )
    shared: bool = key(
        Flag(), "Whether all neighbours share these places; else each has so many.", default=True
    )
    root_frames: int | None = key(
        Whole(1, 100_000),
        "Frames that the root holds, which has often more memory; left out: as many as each node.",
        default=None,
    )


class SleepShape(ShapeTable):
    """Nodes that sleep, and ask their parent for what it holds for them."""

    nodes: Literal["leaves", "none"] = key(
        Words("leaves", "none"),
        "Which nodes sleep: those that forward for nobody, or none.",
        default="leaves",
    )
    poll_s: Decimal = key(Every(), "Seconds between two polls of a sleeping node.")
    listen_ms: Decimal = key(
        Exact(least=0, most=60_000),
        "Milliseconds that it listens at most for what was held, behind a poll whose acknowledgement says that it "
        "waits. It sleeps again once a frame has come with nothing more behind it (frame pending 0).",
        default=Decimal(10),
    )
    always_pending: bool = key(
        Flag(), "Whether parents acknowledge each poll as if something waited, so that it listens behind each.",
        default=False,
    )  # fmt: skip
    timeout_s: Decimal | None = key(
        Exact(above=0, most=SELDOM_S),
        "Seconds without a sign of it after which the parent forgets a sleeping node.",
        default=None,
    )
    held_frames: int = key(
        Whole(1, 100_000), "Frames that a parent holds for each sleeping child.", default=1
    )
    retry_s: Decimal | None = key(
        Exact(above=0, most=SELDOM_S),
        "Seconds after which a lost poll is sent again; left out: with the next one.",
        default=None,
    )


@dataclass(frozen=True, slots=True)
class SendQueue:
    """The places of a node's queue, for all neighbours together or for each; the root, node 0, may have others."""

    frames: int
    shared: bool
    root_frames: int | None = None

    def of(self, node: int) -> int:
        """Return how many places a node has."""
        return self.frames if node or self.root_frames is None else self.root_frames


@dataclass(frozen=True, slots=True)
class Sleep:
    """How leaves sleep: seconds between polls, of the parent's patience, of trying again; milliseconds of listening.

    ``always_pending``: the frame pending bit of acknowledgements says nothing, so that they listen behind each poll.
    """

    poll_s: float
    listen_ms: float
    timeout_s: float | None
    held_frames: int
    retry_s: float | None
    always_pending: bool = False


def sleep_flaws(shape: SleepShape) -> Iterator[Flaw]:
    """Yield a fault where times contradict each other."""
    if shape.retry_s is not None and shape.retry_s > shape.poll_s:
        yield Flaw(
            ("sleep", "retry_s"), f"after {shape.retry_s} s comes later than the next poll, after {shape.poll_s} s",
            "Leave it out, or use less",
        )  # fmt: skip
    if shape.listen_ms >= shape.poll_s * 1000:
        yield Flaw(
            ("sleep", "listen_ms"), f"it listens {shape.listen_ms} ms and polls each {shape.poll_s} s: it never sleeps",
            "listen_ms counts milliseconds, poll_s seconds",
        )  # fmt: skip


def listening_words(sleep: Sleep, *, acknowledged: bool) -> Iterator[str]:
    """Yield what is taken for granted of the time for which children listen behind their polls."""
    if not acknowledged:
        yield (
            "sleeping children listen for sleep.listen_ms behind each poll, or until a frame has come with nothing "
            "more pending, as no acknowledgement says that nothing waits (link.acknowledged)"
        )
    elif not sleep.always_pending:
        yield (
            "sleeping children listen behind a poll only where something waits, as its acknowledgement tells, until a "
            "frame has come with nothing more pending, for sleep.listen_ms at most (IEEE 802.15.4-2015 clause 6.7.3; "
            "sleep.always_pending)"
        )


def queue_of(shape: QueueShape | None) -> SendQueue | None:
    """Return what ``[queue]`` states."""
    return None if shape is None else SendQueue(shape.frames, shape.shared, shape.root_frames)


def sleep_of(shape: SleepShape | None) -> Sleep | None:
    """Return what ``[sleep]`` states, None where no node sleeps."""
    if shape is None or shape.nodes == "none":
        return None
    return Sleep(
        float(shape.poll_s),
        float(shape.listen_ms),
        None if shape.timeout_s is None else float(shape.timeout_s),
        shape.held_frames,
        None if shape.retry_s is None else float(shape.retry_s),
        shape.always_pending,
    )
