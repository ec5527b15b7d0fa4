"""Findings about CoAP and what it carries."""

import struct
from collections.abc import Iterator

from lowpanbudget.bits import Reader
from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Scene, Whole
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.flaws import flaws
from lowpanbudget.layers.internet.coap.registry import Block
from lowpanbudget.stack.upper import COAP_PORT

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
    Example: Observe has 4 octets where 0 to 3 are allowed (RFC 7641 §2): a counter that was not kept to three.
    What to do: See the evidence; the cite says what is allowed.
    """

    name = "coap-message-forbidden"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = rfc(7252, "5.4")
    reads = (coap.CoapMessage,)

    def check(self, scene: Scene, thing: coap.CoapMessage) -> Hits:
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
    Example: tokens of 8 octets, 4 over what guards an open request.
    What to do: Use 4 octets, or 1 to 2 where messages are protected.
    """

    name = "token-longer-than-useful"
    severity = Severity.REMARK
    certainty = Certainty.FRAME
    cite = rfc(7252, "5.3.1")
    reads = (coap.CoapMessage,)
    least = 5

    def check(self, scene: Scene, thing: coap.CoapMessage) -> Hits:
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
    Example: a block of 128 octets took 2 frames: datagram of 184 octets.
    What to do: Take the largest block size whose whole message fits one frame: budget --flow says the room.
    """

    name = "block-still-fragmented"
    severity = Severity.WASTE
    certainty = Certainty.CAPTURE
    cite = rfc(7959, "1")
    reads = (coap.CoapMessage,)

    def check(self, scene: Scene, thing: coap.CoapMessage) -> Hits:
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


class FloatWiderThanNeeded(Rule):
    """Numbers take nine octets where fewer carry the same value.

    What it sees: three messages or more of a sender with CBOR (by Content-Format) in which a 64-bit float has the same
    value in 32 or 16 bits. Values such as 1.1, which no short float holds, are not counted.
    Why it costs: 4 to 6 octets a number.
    When it is no fault: a sender that cannot afford the test; hardly, it is one comparison.
    Example: fb 3f f8 00 00 00 00 00 00 is 1.5, 3 octets would do.
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
