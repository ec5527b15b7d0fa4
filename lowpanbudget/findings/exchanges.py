"""Findings about CoAP exchanges: requests repeated, requests answered twice."""

from collections import OrderedDict
from typing import NamedTuple

from lowpanbudget.cites import rfc
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Known, Scene, Whole, named
from lowpanbudget.layers.internet.coap.codes import Type
from lowpanbudget.stack.upper import COAP_PORT

_REMEMBERED = 1024
ACK_TIMEOUT_S = 2.0  # RFC 7252 section 4.8
EXCHANGE_S = 247  # EXCHANGE_LIFETIME (RFC 7252 section 4.8.2)


class _Request(NamedTuple):
    time_s: float
    number: int
    repeats: int
    link: bytes | None


class RequestRepeatedEarly(Rule):
    """CoAP messages are retransmitted often or early.

    What it sees: a confirmable message that comes again with the same message ID from the same address and on the same
    hop within 247 s. It is a risk when it comes again in less than 2 s, the least ACK_TIMEOUT, three times or more;
    otherwise a remark from three on.
    Why it costs: a time-out shorter than the round trip of a sleepy or distant node sends everything twice, and a
    receiver without memory of message IDs does everything twice.
    When it is no fault: loss; that is what retransmissions are for.
    Example: 0x0017 sent 3 messages again, 3 of them in less than 2 s; shortest time between: 0.80 s.
    What to do: Raise ACK_TIMEOUT over the round trip that is seen; keep message IDs for 247 s at the receiver.
    """

    name = "request-repeated"
    severity = Severity.RISK
    certainty = Certainty.CAPTURE
    cite = rfc(7252, "4.8")
    reads = (Whole,)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.open: OrderedDict[tuple[bytes, int, int], _Request] = OrderedDict()
        self.repeated: dict[bytes | None, list[object]] = {}

    def check(self, scene: Scene, thing: Whole) -> Hits:
        """Look at type and message ID of each message on the CoAP port."""
        found = thing.udp()
        if found is None or COAP_PORT not in found[:2] or len(found[2]) < 4:
            return NONE
        octets = found[2]
        if octets[0] >> 4 != 4 | Type.CON:
            return NONE
        key = (thing.octets[8:24], found[0], int.from_bytes(octets[2:4], "big"))
        before = self.open.get(key)
        if before is None or scene.time_s - before.time_s > EXCHANGE_S:
            self.open[key] = _Request(scene.time_s, scene.number, 0, thing.link_source)
            if len(self.open) > _REMEMBERED:
                self.open.popitem(last=False)
            return NONE
        if before.link != thing.link_source:
            return NONE  # the same datagram on its next hop
        gap = scene.time_s - before.time_s
        self.open[key] = before._replace(time_s=scene.time_s)
        entry = (
            self.repeated.setdefault(thing.link_source, [0, 0, gap, []])
            if len(self.repeated) < 256
            else None
        )
        if entry is not None:
            _count(entry, gap, (before.number, scene.number))
        return NONE

    def close(self) -> Hits:
        """Judge each sender."""
        for link, entry in self.repeated.items():
            count, early, least, numbers = entry
            assert isinstance(count, int)
            assert isinstance(early, int)
            assert isinstance(numbers, list)
            if count < 3:
                continue
            cause = f"{named(link)} sent {count} messages again, {early} of them in less than {ACK_TIMEOUT_S:g} s"
            severity = Severity.RISK if early >= 3 else Severity.REMARK
            yield Hit(
                cause,
                (f"shortest time between: {least:.2f} s",),
                named(link),
                tuple(numbers),
                severity,
            )


def _count(entry: list[object], gap: float, numbers: tuple[int, int]) -> None:
    count, early, least, frames = entry
    assert isinstance(count, int)
    assert isinstance(early, int)
    assert isinstance(least, float)
    assert isinstance(frames, list)
    entry[:3] = [count + 1, early + (gap < ACK_TIMEOUT_S), min(least, gap)]
    if len(frames) < 12:
        frames += numbers


class RequestAnsweredTwice(Rule):
    """One request is answered twice with different answers.

    What it sees: two acknowledgements to the same message ID at the same address and port, on the same hop, whose codes
    or contents differ.
    Why it costs: the receiver did not know the repeated request again and acted twice: a valve toggles twice.
    When it is no fault: idempotent requests, such as reading a value that changed between.
    Example: message ID 0x0107 got two different answers: codes 2.01 and 4.09.
    What to do: Keep message IDs and answers for 247 s (EXCHANGE_LIFETIME), and send the same answer again.
    """

    name = "request-answered-twice"
    severity = Severity.RISK
    certainty = Certainty.CAPTURE
    cite = rfc(7252, "4.5")
    reads = (Whole,)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.answers: OrderedDict[
            tuple[bytes, bytes, int, int], tuple[bytes, float, int, bytes | None]
        ] = OrderedDict()

    def check(self, scene: Scene, thing: Whole) -> Hits:
        """Compare acknowledgements that carry an answer."""
        found = thing.udp()
        if found is None or COAP_PORT not in found[:2] or len(found[2]) < 4:
            return NONE
        octets = found[2]
        if octets[0] >> 4 != 4 | Type.ACK or octets[1] < 64:
            return NONE
        mid = int.from_bytes(octets[2:4], "big")
        key = (thing.octets[8:24], thing.octets[24:40], found[1], mid)
        before = self.answers.get(key)
        if (
            before is None
            or scene.time_s - before[1] > EXCHANGE_S
            or before[3] != thing.link_source
        ):
            self.answers[key] = (octets, scene.time_s, scene.number, thing.link_source)
            if len(self.answers) > _REMEMBERED:
                self.answers.popitem(last=False)
            return NONE
        if before[0] == octets:
            return NONE
        codes = (
            f"{before[0][1] >> 5}.{before[0][1] & 31:02d} and {octets[1] >> 5}.{octets[1] & 31:02d}"
        )
        cause = f"message ID {mid:#06x} got two different answers"
        return (Hit(cause, (f"codes {codes}",), scene.sender, (before[2], scene.number)),)
