"""What a link loses: ``[loss]``, and the runs in which it loses it (``[loss.runs]``)."""

from collections.abc import Iterator
from decimal import Decimal
from math import expm1, log1p

from lowpanbudget.design.table import ShapeTable, Subtable, key
from lowpanbudget.design.takes import Exact, Whole
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.values import dataclass


class LossRunsShape(ShapeTable):
    """Losses in runs: a link is good for a while, then bad for a while."""

    good: Decimal = key(
        Exact(least=0, below=1), "Share of frames lost while the link is good: 0.01 is 1 %."
    )
    bad: Decimal = key(Exact(above=0, below=1), "Share of frames lost while it is bad.")
    bad_ms: Decimal = key(
        Exact(above=0, most=86_400_000),
        "How long it stays bad at a time, on average, in milliseconds.",
    )


class LossShape(ShapeTable):
    """What a link loses, as somebody measured it."""

    frames: Decimal = key(
        Exact(least=0, below=1),
        "Chance that one transmission over one link, in one direction, is lost: 0.05 is 5 %. A frame and its "
        "acknowledgement may each be lost by it: a try then fails in 1 - 0.95², 9.75 %.",
    )
    octets: int | None = key(
        Whole(1, 2047),
        "Length of the frames that it was measured with; longer ones lose more. Left out: all lose the same.",
        default=None,
    )
    runs: LossRunsShape | None = key(Subtable(LossRunsShape), default=None)


@dataclass(frozen=True, slots=True)
class LossRuns:
    """A link that is good or bad: the share that it loses in each, and the mean length of a bad time.

    ``bad_share`` is the part of all time in which it is bad, such that the mean loss is that of ``[loss]``.
    """

    good: float
    bad: float
    bad_ms: float
    bad_share: float


@dataclass(frozen=True, slots=True)
class FrameLoss:
    """The chance that one transmission in one direction over a link is lost, as measured with frames of ``octets``.

    ``octets`` is None where the length makes no difference, ``runs`` where losses are independent.
    """

    share: float
    octets: int | None
    runs: LossRuns | None

    def of(self, octets: int, share: float | None = None) -> float:
        """Return the share of frames of this length that are lost, from the measured one: bit errors are alike.

        ``share`` stands in the place of the mean loss, such as that of a bad time.
        """
        measured = self.share if share is None else share
        if self.octets is None:
            return measured
        return -expm1(log1p(-measured) * octets / self.octets)


def loss_flaws(shape: LossShape) -> Iterator[Flaw]:
    """Yield a fault where the mean loss cannot come from the good and bad times."""
    runs = shape.runs
    if runs is None:
        return
    if runs.good >= runs.bad:
        yield Flaw(
            ("loss", "runs", "good"), f"the good time loses {runs.good}, the bad one {runs.bad}",
            "A good time loses less",
        )  # fmt: skip
    elif not runs.good <= shape.frames < runs.bad:
        yield Flaw(
            ("loss", "runs"),
            f"a mean loss of {shape.frames} does not lie between {runs.good} and {runs.bad}",
            "The mean of a good and a bad time lies between the two",
        )


def loss_of(shape: LossShape | None) -> FrameLoss | None:
    """Return what ``[loss]`` states."""
    if shape is None:
        return None
    runs = None
    if shape.runs is not None:
        good, bad, share = (float(one) for one in (shape.runs.good, shape.runs.bad, shape.frames))
        runs = LossRuns(good, bad, float(shape.runs.bad_ms), (share - good) / (bad - good))
    return FrameLoss(float(shape.frames), shape.octets, runs)
