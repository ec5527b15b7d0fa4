"""ICMPv6: header, checksum, errors and echo (RFC 4443); neighbour discovery and RPL by one table of types and codes.

|     Type      |     Code      |          Checksum             |
|                         Message Body                          |
"""

from collections.abc import Iterator
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.arguments import written
from lowpanbudget.bits import Reader, Span, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.env import address
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.fields import (
    Bits,
    Header,
    Layout,
    Line,
    Listing,
    layout_of,
    of_layout,
    stated_by,
)
from lowpanbudget.fields.compiled import Compiled
from lowpanbudget.fields.source import Function, FunctionSource
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.icmpv6_messages import (
    CITE,
    DestinationUnreachable,
    EchoReply,
    EchoRequest,
    PacketTooBig,
    ParameterProblem,
    TimeExceeded,
    Unknown,
)
from lowpanbudget.layers.internet.icmpv6_types import (
    NO_CODES,
    OTHER_NAMES,
    MessageType,
    message_type,
)
from lowpanbudget.layers.internet.nd import messages as nd
from lowpanbudget.layers.internet.rpl import messages as rpl
from lowpanbudget.values import dataclass, filling

CHECKSUM_CITE = rfc(4443, "2.3")


UNKNOWN = layout_of(Unknown)
_UNKNOWN_TYPE = MessageType(-1, UNKNOWN, {})


def _codes(*texts: str) -> dict[int, str]:
    return dict(enumerate(texts))


MESSAGES = (
    message_type(
        1, DestinationUnreachable,
        _codes(
            "no route to destination", "communication administratively prohibited",
            "beyond scope of source address", "address unreachable", "port unreachable",
            "source address failed ingress/egress policy", "reject route to destination",
            "error in source routing header",  # RFC 6550 section 20.18
        ),
    ),
    message_type(2, PacketTooBig, NO_CODES),
    message_type(
        3, TimeExceeded,
        _codes("hop limit exceeded in transit", "fragment reassembly time exceeded"),
    ),
    message_type(
        4, ParameterProblem,
        _codes(
            "erroneous header field", "unrecognized next header", "unrecognized IPv6 option",
        ),
    ),
    message_type(128, EchoRequest, NO_CODES),
    message_type(129, EchoReply, NO_CODES),
    *nd.MESSAGES,
    *rpl.MESSAGES,
)  # fmt: skip

AnyMessage = (
    DestinationUnreachable | PacketTooBig | TimeExceeded | ParameterProblem | EchoRequest | EchoReply | Unknown
    | nd.AnyMessage | rpl.AnyMessage
)  # fmt: skip
TYPES_AND_CODES = {(kind.number, kind.code): kind for kind in MESSAGES}
_KIND_OF = {kind.value: kind for kind in MESSAGES if kind.value is not rpl.Secure}
TYPES = OTHER_NAMES | {kind.number: kind.name for kind in MESSAGES if kind.number != rpl.TYPE}


class _Messages:
    """What ``explain`` shows: every message, also the one that only ever goes secured, and the types."""

    def listings(self) -> Iterator[Listing]:
        for kind in MESSAGES:
            body = kind.body
            if kind.code == rpl.SECURE | rpl.ONLY_SECURE:
                body = rpl.BASES[rpl.ONLY_SECURE]
            if isinstance(body, Layout):
                yield of_layout(
                    body, about="Messages of ICMPv6.", name=kind.name, head=_head_lines(kind)
                )
        rows = tuple((str(number), name) for number, name in sorted(TYPES.items()))
        yield Listing("ICMPv6 types", CITE, ("type", "name"), rows, "Types of ICMPv6.")


def _head_lines(kind: MessageType) -> Iterator[Line]:
    yield "type", "8 bits", f"always {kind.number}"
    codes = "; ".join(f"{code}: {text}" for code, text in kind.codes.items())
    yield "code", "8 bits", codes if kind.code is None else f"always {kind.code:#04x}"
    yield _CHECKSUM[0], "16 bits", _CHECKSUM[1]


LISTED = _Messages()


def type_name(number: int) -> str:
    """Return the name of an ICMPv6 type; types below 128 are errors, the others informational."""
    what = "error" if number < 128 else "informational message"
    return TYPES.get(number, f"ICMPv6 {what} {number}")


def kind_of(number: int, code: int) -> MessageType | None:
    """Return what is known of a message of this type and code, or None when it is not read further."""
    return TYPES_AND_CODES.get((number, code)) or TYPES_AND_CODES.get((number, None))


def name_of(number: int, code: int) -> str:
    """Return the name of a message, by type and, where it decides, code."""
    kind = kind_of(number, code)
    return kind.name if kind else type_name(number)


def _header(number: int) -> Header:
    codes = dict(rpl.UNREAD) if number == rpl.TYPE else {}
    mask = 0
    for kind in MESSAGES:
        if kind.number == number:
            codes |= kind.codes if kind.code is None else {kind.code: kind.name}
            mask |= kind.code_mask

    def says(code: int) -> str:
        return codes.get(code & mask, "reserved")

    fields = (Bits("type", 8, type_name(number), fixed=number), Bits("code", 8, says))
    return Header("ICMPv6", CITE, fields)


# the checksum, which is never the same, stands behind: a header's explanation is remembered by its word
HEADERS = {kind.number: _header(kind.number) for kind in MESSAGES}
START = Header("ICMPv6", CITE, (Bits("type", 8, type_name), Bits("code", 8)))
_CHECKSUM = ("checksum", "over pseudo-header and message", CHECKSUM_CITE)


@stated_by(lambda message: HEADERS.get(message.type, START))
@dataclass(frozen=True, slots=True)
class Icmpv6:
    """An ICMPv6 message read: the header, ``name``, and the ``message`` itself by its class (RFC 4443 section 2.1).

    ``expected_checksum`` is what the octets and addresses give, None without addresses. ``required_hop_limit`` is
    what the IPv6 header must hold (255 for neighbour discovery), None where nothing is asked: whoever judges the
    packet compares both.
    """

    type: int
    code: int
    checksum: int
    name: str
    message: AnyMessage
    expected_checksum: int | None = None
    required_hop_limit: int | None = None

    @property
    def checksum_ok(self) -> bool | None:
        """Return whether the checksum is right; None when the addresses are not known."""
        if self.expected_checksum is None:
            return None
        return self.checksum == self.expected_checksum


_Icmpv6InMaking = filling(Icmpv6)  # the quicker one to fill


def checksum(source: IPv6Address, destination: IPv6Address, message: bytes) -> int:
    """Return the checksum of a whole message, whatever its checksum field holds now.

    ``destination`` is the final one where a routing header names it (RFC 8200 section 8.1).
    """
    blank = message[:2] + b"\0\0" + message[4:]
    return ipv6.transport_checksum(source, destination, ipv6.ICMPV6, blank)


def decode(
    reader: Reader, source: IPv6Address | None = None, destination: IPv6Address | None = None
) -> Icmpv6:
    """Return the message that fills what is left of ``reader``, its options included.

    The addresses are those of the pseudo-header (the final destination); without them the checksum is not computed.
    An unknown type or code gives ``Unknown``. Raises ``WireError`` where a length or a code cannot be read.
    """
    octets = reader.ahead()
    known: tuple[Begun, int] | None = _COMPILED.read(reader)
    begun, carried = _begin(reader) if known is None else known
    number, code, name, kind = begun
    expected = None
    if source is not None and destination is not None:
        # by as much as the sum is over, the one that is carried is (RFC 1071 section 2)
        over = ipv6.covered_sum(source, destination, ipv6.ICMPV6, octets)
        expected = (carried - over) % 0xFFFF
    reader.layer = START.name if kind is _UNKNOWN_TYPE else kind.name
    message = kind.body.read(reader, type=number, code=code & kind.code_mask)
    whole = _Icmpv6InMaking(number, code, carried, name, message, expected, kind.hop_limit)
    whole.__class__ = Icmpv6
    return whole


class Begun(NamedTuple):
    """What type and code say of a message: its name, and how it goes on."""

    type: int
    code: int
    name: str
    kind: MessageType

    @classmethod
    def of(cls, number: int, code: int) -> "Begun":
        """Return what a type and a code say."""
        return cls(number, code, name_of(number, code), kind_of(number, code) or _UNKNOWN_TYPE)


def _begin(reader: Reader) -> tuple[Begun, int]:
    """Return what type and code say, and the checksum."""
    reader.layer = START.name
    number = reader.peek("the ICMPv6 header", CITE)
    values, _ = HEADERS.get(number, START).read(reader)
    _tell_unused(reader, Begun.of(number, values["code"]))
    reader.need(2, "the checksum", CITE)
    return Begun.of(number, values["code"]), reader.number(2, *_CHECKSUM)


def _tell_unused(reader: Reader, begun: Begun) -> None:
    """Note bits of the code that a receiver does not look at, where they are set."""
    value = begun.code & ~begun.kind.code_mask
    if value:
        at, cite = 8 * (reader.pos - 1), begun.kind.cite
        span = Span(at, 8, reader.layer, "code prefix", value >> 4, "", cite)
        reader.unused = (*reader.unused, span)


def _compile(word: int, at: int) -> Function | None:
    """Return a function that does the same for this type and code."""
    values = START.split(word)
    begun = Begun.of(*values.values())
    if begun.code & ~begun.kind.code_mask:
        return None
    source = FunctionSource("begin", START.name, at)
    source.word(HEADERS.get(values["type"], START), word)
    checksum = source.let(f"number({source.cut(2)}, 'big')")
    source.field(2, _CHECKSUM[0], checksum, *_CHECKSUM[1:])
    return source.function(f"({source.bind(begun)}, {checksum})")


_COMPILED = Compiled(START, _compile)


def encode(
    writer: Writer,
    message: object,
    source: IPv6Address,
    destination: IPv6Address,
    sent: Icmpv6 | None = None,
) -> None:
    """Append a message with the checksum that these addresses give; ``sent`` is what it was read as.

    ``message`` is a value of one of the classes in ``MESSAGES`` or an ``Unknown``. Raises ``RequestError`` for
    one that its layout cannot hold.
    """
    number, code = _type_and_code(message)
    kind = kind_of(number, code) or _UNKNOWN_TYPE
    if isinstance(message, Unknown):
        kind = _UNKNOWN_TYPE
    elif not isinstance(message, kind.value):
        raise RequestError(f"code {code:#04x} does not fit {message!r}", cite=kind.cite)
    body = Writer()
    kind.body.write(body, message, code=code)
    if sent is not None and sent.type == number:
        code = kind.kept(code, sent.code)
    blank = bytes([number, code, 0, 0]) + bytes(body.data)
    HEADERS.get(number, START).write(writer, {"type": number, "code": code})
    right = checksum(source, destination, blank)
    writer.number(2, right, *_CHECKSUM)
    writer.append(body)


def write_icmpv6(message: object, source: object, destination: object) -> bytes:
    """Return the octets of an ICMPv6 message, neighbour discovery and RPL among them, checksum included.

    Source: RFC 4443 section 2.1, and that of the message's class. ``source`` and ``destination`` (the final one) are
    those of the IPv6 header, as text, 16 octets or ``IPv6Address``. Raises ``RequestError`` for what is no message or
    cannot be held by its fields. Of an ``Icmpv6`` that was read, what of its code no receiver looks at is kept.
    """
    writer = Writer()
    ends = address(source, "source"), address(destination, "destination")
    sent = message if isinstance(message, Icmpv6) else None
    if sent is not None:
        message = sent.message
    written(message, lambda one: encode(writer, one, *ends, sent))
    return bytes(writer.data)


def _type_and_code(message: object) -> tuple[int, int]:
    if isinstance(message, Unknown):
        if not (0 <= message.type <= 255 and 0 <= message.code <= 255):
            raise RequestError(f"type {message.type} or code {message.code} is over 255", cite=CITE)
        return message.type, message.code
    if isinstance(message, rpl.Secure):
        return rpl.TYPE, message.code
    kind = _KIND_OF.get(type(message))
    if kind is None:
        raise RequestError(f"{repeated(message)} is no ICMPv6 message", cite=CITE)
    return kind.number, kind.code if kind.code is not None else getattr(message, "code", 0)
