"""CoAP: messages of RFC 7252, with the options of its table and of RFC 7641, 7959, 7967, 8132 and 8613.

|1 2 3 4 5 6 7 8 9 0 1 2 3 4 5 6 7 8 9 0 1 2 3 4 5 6 7 8 9 0 1 2|
+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+
|Ver| T |  TKL  |      Code     |          Message ID           |
|   Token, TKL octets   |   Options   |1 1 1 1 1 1 1 1|   Payload

A message has one encoding only: there is no choice in the form of an option, see ``options``.
Not here: CoAP over TCP (RFC 8323) and extended token lengths (RFC 8974).
"""

import re
from urllib.parse import quote_from_bytes, unquote_to_bytes

from lowpanbudget.arguments import explains
from lowpanbudget.bits import Reader, Writer, as_octets
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Malformed, RequestError, Reserved
from lowpanbudget.fields import (
    Drawing,
    OctetString,
    Values,
    WireValue,
    bits,
    layout_of,
    part,
    structure,
)
from lowpanbudget.layers.internet.coap.block import Block
from lowpanbudget.layers.internet.coap.codes import TYPES, code_text, is_request, is_response
from lowpanbudget.layers.internet.coap.options import CoapOption, CoapOptions, CoapPayload
from lowpanbudget.layers.internet.coap.registry import BLOCK1, URI_PATH, named

LAYER = "CoAP"
CITE = rfc(7252, "3")
LONGEST_TOKEN = 8
_OF_PATH = (
    "!$&'()*+,;=:@"  # beside unreserved characters: sub-delims (RFC 3986 section 2.2), colon and at
)
_HALF_ESCAPE = r"%(?![0-9A-Fa-f]{2})"
_HALF_PAIR = r"[\ud800-\udfff]"

# "A client sending a request without using Transport Layer Security SHOULD use a nontrivial, randomized token"
_TOKEN = (
    "matches responses to requests",
    rfc(7252, "5.3.1"),
    "a shorter token, where messages are protected: without protection it guards against spoofed responses",
)


class _Token(OctetString):
    """The token, of which there are 8 octets at most; behind an empty message's ID there is nothing."""

    def read(self, reader: Reader, values: Values, _layout: Drawing) -> bytes:
        length = values["token_length"]
        if length > LONGEST_TOKEN:
            raise reader.fault(
                Reserved,
                f"token length {length} is reserved",
                CITE,
                at=reader.pos - HEADER.octets,
                hint="RFC 8974 gives 13 and 14 a meaning between ends that agreed on it"
                * (length in (13, 14)),
            )
        if values["code"] == 0 and (length or reader.left):
            raise reader.fault(
                Malformed, "an empty message ends after its message ID", rfc(7252, "4.1")
            )
        return reader.octets(length, self.name, *_TOKEN, free=True)

    def write(self, writer: Writer, value: bytes, _values: Values, _layout: Drawing) -> None:
        writer.octets(value, self.name, *_TOKEN)


@structure(LAYER, CITE, kw_only=False)
class CoapMessage(WireValue):
    """A CoAP message.

    ``type``: 0 confirmable, 1 non-confirmable, 2 acknowledgement, 3 reset. ``code`` as a number (``coap_code`` makes it
    of "GET" or "2.05"), ``mid`` the message ID, ``token`` 0 to 8 octets. ``options`` are kept in the order of their
    numbers, equal numbers in the order given; ``payload`` is what stands behind the marker. Values are judged where the
    message is written, which raises ``RequestError``.
    """

    version = bits(2, "CoAP", fixed=1)
    type: int = bits(2, TYPES)
    token_length = bits(4, lambda value: "reserved" if value > LONGEST_TOKEN else "octets")
    code: int = bits(8, code_text)
    mid: int = bits(16, "finds duplicates, matches acknowledgements", free=True, name="message id")
    token: bytes = part(_Token, count="token_length", default=b"")
    options: tuple[CoapOption, ...] = part(CoapOptions, default=())
    payload: bytes = part(CoapPayload, default=b"")

    def __post_init__(self) -> None:
        try:
            ordered = tuple(sorted(self.options, key=lambda option: option.number))
        except (AttributeError, TypeError):
            raise RequestError(
                "options are CoapOptions", cite=CITE, hint="CoapOption.of(name, value) makes one"
            ) from None
        object.__setattr__(self, "options", ordered)

    @property
    def is_request(self) -> bool:
        """Return whether the code is a method."""
        return is_request(self.code)

    @property
    def is_response(self) -> bool:
        """Return whether the code is a response, of whatever class."""
        return is_response(self.code)

    @property
    def is_part(self) -> bool:
        """Return whether a request brings a part of its body alone, by its Block1 option (RFC 7959 section 2.2)."""
        option = self.first(BLOCK1)
        block = None if option is None else option.value
        return isinstance(block, Block) and (block.more or block.num > 0)

    @property
    def path(self) -> str:
        """Return what its Uri-Path options name, as ``/a/b``; nothing without one.

        What is no character of a path, such as a / within an option, is percent-encoded (RFC 7252 section 6.5, step 6).
        """
        parts = (quote_from_bytes(option.octets, _OF_PATH) for option in self.all(URI_PATH))
        return "".join(f"/{part}" for part in parts)

    def all(self, number: int | str) -> tuple[CoapOption, ...]:
        """Return the options with this number or name; raises ``RequestError`` for a name that none has."""
        number = named(number).number
        return tuple(option for option in self.options if option.number == number)

    def first(self, number: int | str) -> CoapOption | None:
        """Return the first option with this number or name, or None; raises ``RequestError`` as ``all``."""
        number = number if isinstance(number, int) else named(number).number
        for option in self.options:  # asked of every message, by many
            if option.number == number:
                return option
        return None

    def __bytes__(self) -> bytes:
        """Return the octets of the message."""
        writer = Writer()
        encode(writer, self)
        return bytes(writer.data)


def read_coap(octets: bytes) -> CoapMessage:
    """Return the CoAP message that these octets are (RFC 7252 section 3).

    Raises ``Truncated``, ``Reserved`` or ``Malformed`` with the offset of what is wrong, ``RequestError`` for what are
    no octets. Options with values that they may not have are kept; ``coap_flaws`` names them.
    """
    return decode(Reader(as_octets(octets)))


def write_coap(message: CoapMessage) -> bytes:
    """Return the octets of a CoAP message: its one encoding (RFC 7252 section 3).

    Raises ``RequestError`` for what is no message or cannot be sent: a token over 8 octets, an empty message with more.
    """
    if not isinstance(message, CoapMessage):
        raise RequestError(f"a CoapMessage is needed, not {type(message).__name__}", cite=CITE)
    return bytes(message)


def message_of(message: "CoapMessage | bytes") -> CoapMessage:
    """Return ``message`` itself, or the one that octets are; raises as ``read_coap``."""
    return message if isinstance(message, CoapMessage) else read_coap(message)


LAYOUT = layout_of(CoapMessage)
HEADER = LAYOUT.word


def is_empty(octets: bytes) -> bool:
    """Return whether octets are an Empty message, which acknowledges, resets or pings: "bytes MUST NOT be present".

    What stands behind its message ID makes it a format error (RFC 7252 section 4.1).
    """
    return (
        len(octets) == HEADER.octets
        and HEADER.starts(octets)
        and not HEADER.values_at(octets)["code"]
    )


def coap_path(path: str) -> tuple[CoapOption, ...]:
    """Return the Uri-Path and Uri-Query options of ``/a/b?x=1`` (RFC 7252 section 6.4, steps 8 and 9).

    Raises ``RequestError`` for what is no path: a whole URI, a fragment, a % without two digits; and for a part that no
    option may hold, such as one of over 255 octets, or ``..``: a path is resolved first (step 2).
    """
    if not isinstance(path, str):
        raise RequestError(f"a path is text, not {type(path).__name__}")
    if why := _no_path(path):
        raise RequestError(f"path {path[:60]!r} {why[0]}", cite=rfc(7252, "6.4"), hint=why[1])
    whole, (path, question, query) = path, path.partition("?")
    options = []
    if path not in ("", "/"):
        options += [
            CoapOption.of("Uri-Path", unquote_to_bytes(segment))
            for segment in path.removeprefix("/").split("/")
        ]
    if question:
        options += [CoapOption.of("Uri-Query", unquote_to_bytes(part)) for part in query.split("&")]
    for option in options:
        if isinstance(option.value, bytes):  # "encoded using UTF-8" (section 3.2)
            raise RequestError(
                f"path {whole[:60]!r}: {option.name} {option.octets.hex()} is not UTF-8",
                cite=rfc(7252, "3.2"),
                hint="Write a letter as it is, or its octets of UTF-8: %C3%A9 for \u00e9",
            )
    return tuple(options)


def _no_path(path: str) -> tuple[str, str] | None:
    """Return why a text is no path with a query, and what to write; None where it is one."""
    if "#" in path:  # step 4 fails for a fragment
        return "has a fragment, which no option carries", "Write %23 for a # of a name"
    if not path.startswith("/") and "://" in path.partition("?")[0]:
        return "is a whole URI", "Give what stands behind the host, from its / on"
    if re.search(_HALF_ESCAPE, path):
        return "has a % without two hexadecimal digits", "Write %25 for a % of a name"
    if re.search(_HALF_PAIR, path):
        return "has half of a surrogate pair", "Give whole characters"
    return None


def decode(reader: Reader) -> CoapMessage:
    """Return the message that fills what is left.

    Raises ``Truncated``, ``Reserved`` (version, token length, option nibble 15) or ``Malformed`` (empty message with
    more, marker without payload). Options with values they may not have are kept: RFC 7252 section 5.4.3 treats them
    as unrecognized, and ``flaws`` names them. Time and memory grow with the octets given.
    """
    return LAYOUT.read(reader)


@explains
def encode(writer: Writer, message: CoapMessage) -> None:
    """Append the message with its spans.

    Raises ``RequestError`` for what cannot be sent: a token over 8 octets, an empty message with more.
    """
    if len(message.token) > LONGEST_TOKEN:
        raise RequestError(
            f"a token of {len(message.token)} octets is over {LONGEST_TOKEN}", cite=CITE
        )
    if message.code == 0 and (message.token or message.options or message.payload):
        raise RequestError(
            "an empty message has no token, options or payload", cite=rfc(7252, "4.1")
        )
    LAYOUT.write(writer, message)
