"""What frames take on a link: numbers, time and energy, retries counted, of one message and of all a second."""

from collections.abc import Sequence
from math import floor
from typing import NamedTuple

from lowpanbudget.deployment.traffic import CarriedFrame
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.values import dataclass, field, fields, replace

_NOTHING = Estimate(0.0, 0.0, 0.0)


class FrameSums(NamedTuple):
    """What all frames of a message take over one link, retries counted: numbers, microseconds, microjoules.

    ``lost`` of the tries lose the frame, ``silent`` ones only its acknowledgement.
    """

    frames: int
    tries: float
    lost: float
    silent: float
    air_us: float
    answer_us: float
    sender_uj: Estimate
    receiver_uj: Estimate


@dataclass(slots=True)
class LinkLoad:
    """What one link carries a second, upkeep included; ``bundles`` are messages a second by frames there at once.

    ``air`` and ``answer_air`` are the shares of time that its sender, and its receiver for acknowledgements, are on the
    air; ``lost_per_s`` tries lose the frame, ``silent_per_s`` only the acknowledgement; ``sender_uw`` and
    ``receiver_uw`` are microwatts.
    """

    frames_per_s: float = 0.0
    messages_per_s: float = 0.0
    tries_per_s: float = 0.0
    lost_per_s: float = 0.0
    silent_per_s: float = 0.0
    air: float = 0.0
    answer_air: float = 0.0
    sender_uw: Estimate = _NOTHING
    receiver_uw: Estimate = _NOTHING
    bundles: dict[int, float] = field(default_factory=dict)

    def add(self, sums: FrameSums, per_s: float, *, apart: bool = False) -> None:
        """Count so many messages a second, their frames ``apart`` where each comes by itself."""
        if per_s <= 0:
            return
        self.frames_per_s += sums.frames * per_s
        self.messages_per_s += per_s
        self.tries_per_s += sums.tries * per_s
        self.lost_per_s += sums.lost * per_s
        self.silent_per_s += sums.silent * per_s
        self.air += sums.air_us * per_s / 1e6
        self.answer_air += sums.answer_us * per_s / 1e6
        self.sender_uw = _plus(self.sender_uw, sums.sender_uj, per_s)
        self.receiver_uw = _plus(self.receiver_uw, sums.receiver_uj, per_s)
        bundle, bundles_per_s = (1, sums.frames * per_s) if apart else (sums.frames, per_s)
        self.bundles[bundle] = self.bundles.get(bundle, 0.0) + bundles_per_s

    @property
    def tries_a_frame(self) -> float:
        """Return how often a frame is sent on average."""
        return self.tries_per_s / self.frames_per_s if self.frames_per_s else 1.0

    @property
    def loss(self) -> float:
        """Return the share of tries that loses the frame."""
        return self.lost_per_s / self.tries_per_s if self.tries_per_s else 0.0

    @property
    def answer_loss(self) -> float:
        """Return the share of the others that loses the acknowledgement."""
        received = self.tries_per_s - self.lost_per_s
        return self.silent_per_s / received if received > 0 else 0.0

    def times(self, factor: float) -> "LinkLoad":
        """Return the load with so many times the tries; what receivers do for them stays the same."""
        more = Estimate(*(one * factor for one in self.sender_uw))
        return replace(
            self, tries_per_s=self.tries_per_s * factor, lost_per_s=self.lost_per_s + self.tries_per_s * (factor - 1),
            air=self.air * factor, sender_uw=more,
        )  # fmt: skip

    def thinned(self, own: "LinkLoad", share: float) -> "LinkLoad":
        """Return the load with a share of what is not the sender's own."""

        def part(all_of_it: float, begun: float) -> float:
            return begun + (all_of_it - begun) * share

        parts = {
            one.name: part(getattr(self, one.name), getattr(own, one.name))
            for one in fields(self)
            if one.name not in ("sender_uw", "receiver_uw", "bundles")
        }
        sender, receiver = (
            Estimate(*map(part, all_of_it, begun))
            for all_of_it, begun in ((self.sender_uw, own.sender_uw), (self.receiver_uw, own.receiver_uw))
        )  # fmt: skip
        bundles = {
            frames: part(rate, own.bundles.get(frames, 0.0))
            for frames, rate in self.bundles.items()
        }
        return LinkLoad(**parts, sender_uw=sender, receiver_uw=receiver, bundles=bundles)

    def at_most(self, tries_per_s: float) -> "LinkLoad":
        """Return what of the load goes on the air where there are no more tries than that."""
        if self.tries_per_s <= tries_per_s:
            return self
        part = tries_per_s / self.tries_per_s
        sends, receives = ([one * part for one in uw] for uw in (self.sender_uw, self.receiver_uw))
        return replace(
            self, tries_per_s=tries_per_s, lost_per_s=self.lost_per_s * part, silent_per_s=self.silent_per_s * part,
            air=self.air * part, answer_air=self.answer_air * part, sender_uw=Estimate(*sends),
            receiver_uw=Estimate(*receives),
        )  # fmt: skip

    def cells_needed(self, slotframe_s: float) -> int:
        """Return the cells a slotframe that carry it: more than its tries a slotframe, or its queue only grows."""
        return floor(self.tries_per_s * slotframe_s + 1e-9) + 1 if self.tries_per_s else 0


def _plus(one: Estimate, other: Estimate, times: float) -> Estimate:
    return Estimate(*(a + b * times for a, b in zip(one, other, strict=True)))


def sums_of(frames: Sequence[CarriedFrame], attempts: int) -> FrameSums:
    """Return what all frames of a message take over one link with so many attempts for each."""
    tries = [frame.tries(attempts).mean_attempts for frame in frames]
    pairs = list(zip(frames, tries, strict=True))
    sender = receiver = _NOTHING
    for frame, count in pairs:
        sender = _plus(sender, frame.sender_uj, count)
        receiver = _plus(receiver, frame.receiver_uj, count)
    return FrameSums(
        len(frames), sum(tries),
        sum(frame.loss * count for frame, count in pairs),
        sum((1 - frame.loss) * frame.answer_loss * count for frame, count in pairs),
        sum(frame.air_us * count for frame, count in pairs),
        sum(frame.answer_us * count * (1 - frame.loss) for frame, count in pairs),
        sender, receiver,
    )  # fmt: skip
