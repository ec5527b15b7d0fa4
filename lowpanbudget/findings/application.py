"""Findings about CoAP and what it carries."""

import struct
from collections import OrderedDict
from collections.abc import Iterator
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Known, Scene, Whole, named
from lowpanbudget.layers.internet import coap
from lowpanbudget.layers.internet.coap_codes import Type
from lowpanbudget.layers.internet.coap_flaws import flaws
from lowpanbudget.layers.internet.coap_registry import Block
from lowpanbudget.stack.upper import COAP_PORT

_REMEMBERED = 1024
ACK_TIMEOUT_S = 2.0  # RFC 7252 section 4.8
EXCHANGE_S = 247  # EXCHANGE_LIFETIME (RFC 7252 section 4.8.2)
_BLOCKS = (23, 27)
_CONTENT_FORMAT = 12
_CBOR_FORMATS = {
    60,
    112,
    113,
    63,
    11060,
}  # CBOR, SenML+CBOR, SensML+CBOR, CBOR sequence (from memory)


class CoapMessageForbidden(Rule):
    """A CoAP message says what its standards forbid.

    What it sees: a message that can be read with a code in the wrong kind of message, an option of a length it may not
    have (Observe over 3 octets, say), an option twice that may come once, or a block of a size that it does not have.
    Why it costs: receivers reject the message or ignore the option, each its own way.
    When it is no fault: a critical option assigned after this program was written.
    Example: Observe with 4 octets: a counter that was not kept to 24 bits.
    What to do: See the evidence; the cite says what is allowed.
    """

    name = "coap-message-forbidden"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = rfc(7252, "5.4")
    reads = (coap.Message,)

    def check(self, scene: Scene, thing: coap.Message) -> Hits:
        """Take the flaws of a message."""
        return [
            Hit(
                f"{flaw.text} ({flaw.cite})",
                ()
                if flaw.option is None
                else (f"option {flaw.option.number}: {flaw.option.octets[:16].hex(' ')}",),
                f"{scene.sender}: {flaw.text}",
                severity=Severity.WASTE if "carry nothing" in flaw.text else None,
            )
            for flaw in flaws(thing)
        ]


class TokenLongerThanUseful(Rule):
    """CoAP tokens are longer than four octets.

    What it sees: five messages or more of a sender with tokens of 5 to 8 octets.
    Why it costs: up to 4 octets in every request and response, often from a library's default of 8.
    When it is no fault: without DTLS or OSCORE a token guards against forged answers; RFC 7252 wants 32 bits of
    randomness for that, which 4 octets give. A proxy may need long ones. Hence only a remark.
    Example: token 5f0c1a2277b0d4e9 in every request of one node.
    What to do: Use 4 octets, or 1 to 2 where messages are protected.
    """

    name = "token-longer-than-useful"
    severity = Severity.REMARK
    certainty = Certainty.FRAME
    cite = rfc(7252, "5.3.1")
    reads = (coap.Message,)
    least = 5

    def check(self, scene: Scene, thing: coap.Message) -> Hits:
        """Measure the token of requests."""
        if len(thing.token) <= 4 or not thing.is_request:
            return NONE
        cause = f"tokens of {len(thing.token)} octets, {len(thing.token) - 4} over what guards an open request"
        return (Hit(cause, (), scene.sender),)


class BlockStillFragmented(Rule):
    """A block of a block-wise transfer is cut into fragments.

    What it sees: a CoAP message with a Block option whose datagram took more than one frame.
    Why it costs: block-wise transfer is there to avoid fragments; now both headers are paid.
    When it is no fault: fragments that are cheaper than the round trips of smaller blocks; hardly on a lossy link.
    Example: blocks of 64 octets: with options, token, IPv6 and MAC headers 131 octets, two frames.
    What to do: Take the largest block size whose whole message fits one frame: budget --flow says the room.
    """

    name = "block-still-fragmented"
    severity = Severity.WASTE
    certainty = Certainty.CAPTURE
    cite = rfc(7959, "1")
    reads = (coap.Message,)

    def check(self, scene: Scene, thing: coap.Message) -> Hits:
        """Look at the option that describes this payload, and at the frames it took."""
        whole = scene.whole
        if whole is None or whole.fragments < 2 or not thing.payload:
            return NONE
        for number in _BLOCKS:
            option = thing.first(number)
            if option is not None and isinstance(option.value, Block) and option.value.szx < 7:
                cause = f"a block of {option.value.size} octets took {whole.fragments} frames"
                return (
                    Hit(
                        cause,
                        (f"datagram of {len(whole.octets)} octets",),
                        scene.sender,
                        whole.numbers,
                    ),
                )
        return NONE


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
    Example: message ID 0x2a17 again after 0.8 s, the answer comes after 1.1 s.
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
    Example: message ID 0x0107 is answered 2.01 Created and then 4.09 Conflict.
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


class FloatWiderThanNeeded(Rule):
    """Numbers take nine octets where fewer carry the same value.

    What it sees: three messages or more of a sender with CBOR (by Content-Format) in which a 64-bit float has the same
    value in 32 or 16 bits. Values such as 1.1, which no short float holds, are not counted.
    Why it costs: 4 to 6 octets a number.
    When it is no fault: a sender that cannot afford the test; hardly, it is one comparison.
    Example: fb 3f e0 00 00 00 00 00 00 for 0.5: f9 38 00 says the same.
    What to do: Use the shortest float that holds the value (RFC 8949 section 4.2.2), or an integer with a scale.
    """

    name = "float-wider-than-needed"
    severity = Severity.WASTE
    certainty = Certainty.FRAME
    cite = rfc(8949, "4.1")
    reads = (Whole,)
    least = 3
    varies = True

    def check(self, scene: Scene, thing: Whole) -> Hits:
        """Walk the items of a CBOR payload."""
        found = thing.udp()
        if found is None or COAP_PORT not in found[:2] or b"\xfb" not in found[2]:
            return NONE
        try:
            message = coap.decode(Reader(found[2]))
        except WireError:
            return NONE
        option = message.first(_CONTENT_FORMAT)
        if option is None or option.value not in _CBOR_FORMATS:
            return NONE
        saved, shown = 0, ""
        for octets in wide_floats(message.payload):
            spare = spare_octets(octets)
            if spare:
                saved += spare
                shown = (
                    shown
                    or f"fb {octets.hex(' ')} is {struct.unpack('>d', octets)[0]!r}, {9 - spare} octets would do"
                )
        if not saved:
            return NONE
        return (Hit(f"{saved} octets of the payload only widen floats", (shown,), scene.sender),)


def spare_octets(octets: bytes) -> int:
    """Return how many octets a 64-bit float could do without at the same value."""
    (value,) = struct.unpack(">d", octets)
    for form, spare in ((">e", 6), (">f", 4)):
        try:
            if struct.unpack(form, struct.pack(form, value))[0] == value:
                return spare
        except OverflowError:
            continue
    return 0


def wide_floats(octets: bytes) -> Iterator[bytes]:
    """Yield the 64-bit floats of CBOR items, read as far as they are well formed (RFC 8949 appendix C)."""
    at = 0
    while at < len(octets):
        head = octets[at]
        major, low = head >> 5, head & 31
        at += 1
        extra = {24: 1, 25: 2, 26: 4, 27: 8}.get(low, 0)
        if 28 <= low <= 30 or at + extra > len(octets):
            return
        value = int.from_bytes(octets[at : at + extra], "big") if extra else low
        if head == 0xFB:
            yield octets[at : at + 8]
        at += extra
        if major in {2, 3} and low != 31:
            at += value  # strings: their octets are no items


APPLICATION_RULES: tuple[type[Rule], ...] = (
    CoapMessageForbidden,
    TokenLongerThanUseful,
    BlockStillFragmented,
    RequestRepeatedEarly,
    RequestAnsweredTwice,
    FloatWiderThanNeeded,
)
