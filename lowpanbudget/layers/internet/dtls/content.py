"""What DTLS records carry: content types, alerts, handshake message headers (RFC 6347 section 4.2.2, RFC 9147 5.2).

    handshake    type 1 | length 3 | message sequence 2 | fragment offset 3 | fragment length 3 | fragment
    alert        level 1 | description 1

Bodies of handshake messages are kept as octets: a budget needs their length alone.
"""

from enum import IntEnum

from lowpanbudget.arguments import whole_number
from lowpanbudget.bits import Reader, as_octets
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Malformed, repeated
from lowpanbudget.fields import OctetString, bits, layout_of, part, structure

LAYER = "DTLS"
HANDSHAKE_CITE = rfc(6347, "4.2.2")
ALERT_CITE = rfc(5246, "7.2")


class ContentType(IntEnum):
    """Types of what a DTLS record carries (RFC 9147 section 4.1, figure 5)."""

    CHANGE_CIPHER_SPEC = 20
    ALERT = 21
    HANDSHAKE = 22
    APPLICATION = 23
    HEARTBEAT = 24
    CID = 25
    ACK = 26


CONTENT_NAMES = {
    20: "change cipher spec",
    21: "alert",
    22: "handshake",
    23: "application data",
    24: "heartbeat",
    25: "protected, with connection ID",
    26: "acknowledgement",
}
CLIENT_HELLO = 1
# RFC 6347 section 4.3.2 and RFC 9147 section 5.2; certificate_url, certificate_status (21, 22) from memory
HANDSHAKE_NAMES = {
    0: "hello request",
    CLIENT_HELLO: "client hello",
    2: "server hello",
    3: "hello verify request",
    4: "new session ticket",
    5: "end of early data",
    8: "encrypted extensions",
    9: "request connection ID",
    10: "new connection ID",
    11: "certificate",
    12: "server key exchange",
    13: "certificate request",
    14: "server hello done",
    15: "certificate verify",
    16: "client key exchange",
    20: "finished",
    21: "certificate URL",
    22: "certificate status",
    24: "key update",
    254: "message hash",
}
# RFC 5246 section 7.2 and RFC 8446 section 6, from memory
ALERT_NAMES = {
    0: "close notify",
    10: "unexpected message",
    20: "bad record MAC",
    21: "decryption failed",
    22: "record overflow",
    30: "decompression failure",
    40: "handshake failure",
    41: "no certificate",
    42: "bad certificate",
    43: "unsupported certificate",
    44: "certificate revoked",
    45: "certificate expired",
    46: "certificate unknown",
    47: "illegal parameter",
    48: "unknown CA",
    49: "access denied",
    50: "decode error",
    51: "decrypt error",
    60: "export restriction",
    70: "protocol version",
    71: "insufficient security",
    80: "internal error",
    86: "inappropriate fallback",
    90: "user canceled",
    100: "no renegotiation",
    109: "missing extension",
    110: "unsupported extension",
    111: "certificate unobtainable",
    112: "unrecognized name",
    113: "bad certificate status response",
    114: "bad certificate hash value",
    115: "unknown PSK identity",
    116: "certificate required",
    120: "no application protocol",
}
FATAL = 2  # level of an alert behind which the connection is over (RFC 5246 section 7.2)
LEVEL_NAMES = {1: "warning", FATAL: "fatal"}


@structure(LAYER, HANDSHAKE_CITE, kw_only=False)
class Handshake:
    """A handshake message or a fragment of one: ``length`` octets in all, ``body`` from ``offset`` on."""

    type: int = bits(
        8, lambda value: HANDSHAKE_NAMES.get(value, "unknown handshake type"), name="handshake type"
    )
    length: int = bits(24, "octets of the whole message", name="message length")
    sequence: int = bits(16, "counts handshake messages", name="message sequence")
    offset: int = bits(24, "where in the message this fragment begins", name="fragment offset")
    fragment_length = bits(24, "octets of this fragment")
    body: bytes = part(OctetString, "body", count="fragment_length", name="handshake message")


@structure(LAYER, ALERT_CITE, kw_only=False)
class Alert:
    """An alert: level 1 (warning) or 2 (fatal), and its description."""

    level: int = bits(8, LEVEL_NAMES, name="alert level")
    description: int = bits(
        8, lambda value: ALERT_NAMES.get(value, "unknown alert"), name="alert description"
    )


HANDSHAKE, ALERT = layout_of(Handshake).word, layout_of(Alert).word


def read_dtls_content(
    octets: bytes, content_type: int
) -> tuple[Handshake, ...] | tuple[Alert] | bytes:
    """Return what a record's content holds: handshake messages, an alert, or octets for any other type.

    Sources: RFC 6347 section 4.2.2, RFC 5246 section 7.2. Raises ``Truncated`` or ``Malformed`` with the offset of
    what is wrong, ``RequestError`` for what are no octets, or a type that is no number of 8 bits.
    """
    number = whole_number(content_type, "content_type", most=0xFF)
    return decode_content(Reader(as_octets(octets)), number)


def decode_content(
    reader: Reader, content_type: int
) -> tuple[Handshake, ...] | tuple[Alert] | bytes:
    """Return what fills the rest: handshake messages, an alert, or octets for any other type.

    Raises ``Truncated`` and ``Malformed``. Each handshake message takes 12 octets at least, so the walk is bounded.
    """
    if content_type == ContentType.HANDSHAKE:
        messages = []
        while reader.left:
            messages.append(_decode_handshake(reader))
        return tuple(messages)
    if content_type == ContentType.ALERT:
        alert = layout_of(Alert).read(reader)
        if reader.left:
            raise reader.fault(Malformed, "an alert has two octets", ALERT_CITE)
        return (alert,)
    name = CONTENT_NAMES.get(content_type, f"content of type {repeated(content_type)}")
    return reader.rest(name, "content", rfc(6347, "4.1"))


def _decode_handshake(reader: Reader) -> Handshake:
    start = reader.pos
    message = layout_of(Handshake).read(reader)
    end = message.offset + len(message.body)
    if end > message.length:
        raise reader.fault(
            Malformed,
            f"a fragment from {message.offset} to {end} of a message of {message.length} octets",
            HANDSHAKE_CITE,
            at=start,
        )
    return message
