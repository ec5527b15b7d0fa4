"""Timeslot templates of TSCH: where in a slot a frame and its acknowledgement stand, in microseconds.

    |<- tx offset ->| frame, max tx |<- ack delay ->| max ack |  rest  |
         |<---- rx wait ---->|                   |<- ack wait ->|

Names follow the attributes of IEEE 802.15.4 (macTsTxOffset and so on). The text is not free; where each template was
read stands beside it.
"""

from typing import NamedTuple

from lowpanbudget.cites import Cite, ieee, rfc


class SlotTemplate(NamedTuple):
    """The times of a slot in microseconds; all but ``length`` and the two greatest are offsets or waits.

    ``cite`` tells where they stand; names follow IEEE 802.15.4-2015 table 8-83, from memory.
    """

    length: float
    tx_offset: float
    rx_offset: float
    rx_wait: float
    tx_ack_delay: float
    rx_ack_delay: float
    ack_wait: float
    max_tx: float
    max_ack: float
    cca_offset: float
    cca: float
    cite: Cite

    @property
    def guard(self) -> float:
        """Return how far a frame may come before or after its time and still be heard: the smaller side."""
        return min(self.window)

    @property
    def window(self) -> tuple[float, float]:
        """Return how long a receiver listens before the time of a frame, and how long after."""
        early = self.tx_offset - self.rx_offset
        return early, self.rx_wait - early

    @property
    def parts(self) -> float:
        """Return when the longest acknowledgement of the longest frame ends."""
        return self.ends(self.max_tx, self.max_ack)

    def ends(self, frame: float, acknowledgement: float) -> float:
        """Return when a frame has ended that is on the air so long, and its acknowledgement where there is one."""
        answered = self.tx_ack_delay + acknowledgement if acknowledgement else 0.0
        return self.tx_offset + frame + answered

    @property
    def longest_tx(self) -> float:
        """Return how long a frame may be on the air: ``max_tx``, and no longer than the slot."""
        return min(self.max_tx, self.length - self.tx_offset)

    @property
    def answered(self) -> float | None:
        """Return how long a frame and its acknowledgement may be on the air together; None where all parts fit."""
        if self.parts <= self.length:
            return None
        return self.length - self.tx_offset - self.tx_ack_delay

    def with_guard(self, guard: float) -> "SlotTemplate":
        """Return the template that listens so long before and after the time of a frame."""
        return self._replace(rx_offset=self.tx_offset - guard, rx_wait=2 * guard)


TEMPLATES = {
    # the default template; two public sources disagree about the receive offset, 1 020 or 1 120: here the window is
    # centred on the transmission
    "10ms": SlotTemplate(
        10_000, 2_120, 1_020, 2_200, 1_000, 800, 400, 4_256, 2_400, 1_800, 128,
        ieee(2015, "table 8-83"),
    ),
    "15ms": SlotTemplate(
        15_000, 3_180, 1_680, 3_300, 1_500, 1_200, 600, 4_256, 2_400, 2_700, 128,
        rfc(8180, "appendix A"),
    ),
    # what an open protocol stack uses for 50 kb/s: common practice, no standard
    "sun-fsk-50": SlotTemplate(
        31_460, 3_800, 1_900, 3_000, 3_000, 2_000, 1_200, 20_800, 3_360, 1_800, 128,
        ieee(2015, "clause 8.4.2.2.3"),
    ),
}  # fmt: skip
