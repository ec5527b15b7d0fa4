"""What a CoAP message says that its standards forbid or a receiver may reject, although it can be read.

These are no message format errors: RFC 7252 section 5.4 lets the receiver ignore an option or reject the message.
"""

import re
from collections import Counter
from collections.abc import Iterator
from typing import NamedTuple

from lowpanbudget.arguments import explains
from lowpanbudget.bits import Reader
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import WireError
from lowpanbudget.fields import ShortNumber, TextString
from lowpanbudget.layers.internet.coap.block import Block
from lowpanbudget.layers.internet.coap.codes import CoapType, class_of, coap_code, code_text
from lowpanbudget.layers.internet.coap.message import CoapMessage, message_of
from lowpanbudget.layers.internet.coap.options import CoapOption
from lowpanbudget.layers.internet.coap.registry import (
    BLOCK1,
    BLOCK2,
    DEFINITIONS,
    ETAG,
    OSCORE,
    PROXY_URI,
    RESERVED_NUMBERS,
)
from lowpanbudget.layers.internet.oscore import option as oscore_option

_USAGE = rfc(7252, "4.3")
_VALID = coap_code("2.03")
_BY_PROXY_URI = rfc(7252, "5.10.2")
_HOST_AND_PORT, _PATH_AND_QUERY = {3, 7}, {11, 15}  # Uri-Host, Uri-Port; Uri-Path, Uri-Query
_CONTENT_FORMAT = 12
# what Proxy-Uri holds of a request that OSCORE protects: its path and query are inside (RFC 8613 section 4.1.3.3)
_NO_PATH = re.compile(rb"[^:/?#]+://[^/?#]*")
# "a sender MUST NOT include one" (RFC 7252 section 5.5). FETCH, PATCH and iPATCH have one (RFC 8132)
_WITHOUT_PAYLOAD = {
    coap_code("GET"): rfc(7252, "5.5"),
    coap_code("DELETE"): rfc(7252, "5.5"),
    _VALID: rfc(7252, "5.9.1.3"),
    coap_code("2.31"): rfc(7959, "2.9.1"),
}


class CoapFlaw(NamedTuple):
    """One thing that is wrong: in words, by which section, and the option at fault if it is one.

    ``cite`` is mostly of RFC 7252 sections 3 to 5, of RFC 7959 section 2 for block options.
    ``wasteful``: it costs octets and nothing else. ``allowed``: a sender may do so; not every receiver takes it.
    """

    text: str
    cite: Cite
    option: CoapOption | None = None
    wasteful: bool = False
    allowed: bool = False


@explains
def coap_flaws(message: CoapMessage | bytes) -> tuple[CoapFlaw, ...]:
    """Return what is wrong with a message (or its octets) that can be read all the same, in the order of the message.

    Each says its section, mostly of RFC 7252 sections 3 to 5. Raises ``WireError`` for octets that are no message, as
    ``read_coap`` does.
    """
    message = message_of(message)
    return (
        *_of_header(message),
        *_of_options(message),
        *_beside_proxy_uri(message),
        *_of_payload(message),
    )


def _of_header(message: CoapMessage) -> Iterator[CoapFlaw]:
    """RFC 7252 table 1 and sections 4.2 and 4.3: which type may carry what."""
    code, kind = message.code, message.type
    if class_of(code) in (1, 6, 7):
        yield CoapFlaw(
            f"code {code_text(code)}: recipients reject classes 1, 6 and 7", rfc(7252, "4.2")
        )
    elif class_of(code) == 3:
        yield CoapFlaw(f"code {code_text(code)}: class 3 is reserved", rfc(7252, "12.1.2"))
    if kind == CoapType.ACK and message.is_request:
        yield CoapFlaw("an acknowledgement carries a request", _USAGE)
    if kind == CoapType.RST and code:
        yield CoapFlaw("a reset message is not empty", _USAGE)
    if kind == CoapType.NON and not code:
        yield CoapFlaw("a non-confirmable message is empty", _USAGE)


def _role(message: CoapMessage) -> str:
    """Return whether it is a request or a response; nothing for signals, which number their options (RFC 8323)."""
    is_answer = message.is_response and class_of(message.code) < 6
    return "request" if message.is_request else "response" if is_answer else ""


def _of_options(message: CoapMessage) -> Iterator[CoapFlaw]:
    seen: Counter[int] = Counter()
    role = _role(message)
    for option in message.options:
        row = option.definition
        seen[option.number] += 1
        if option.number in RESERVED_NUMBERS:
            yield CoapFlaw(f"option number {option.number} is reserved", rfc(7252, "12.2"), option)
        elif option.number not in DEFINITIONS:
            if row.critical:
                yield CoapFlaw(
                    f"option {option.number} is critical and not known here: a receiver that does not know it rejects",
                    rfc(7252, "5.4.1"),
                    option,
                    allowed=True,
                )
        elif not option.fits:
            yield CoapFlaw(f"{row.name} has {option.meaning}", row.cite, option)
        else:
            yield from _of_value(option)
        if row.only_in and role not in {"", row.only_in}:
            yield CoapFlaw(
                f"{row.name} is not defined for a {role}, only for a {row.only_in}",
                rfc(7252, "5.4"),
                option,
            )
        if seen[option.number] == 2 and not row.repeatable:
            yield CoapFlaw(f"{row.name} is there more than once", rfc(7252, "5.4.5"), option)
        if seen[option.number] == 2 and option.number == ETAG and role == "response":
            yield CoapFlaw(
                "ETag is there more than once in a response", rfc(7252, "5.10.6.1"), option
            )


def _beside_proxy_uri(message: CoapMessage) -> Iterator[CoapFlaw]:
    """Proxy-Uri says it all: Uri options "MUST NOT be included" (RFC 7252 section 5.10.2).

    A message of OSCORE that was opened has the path of the protected request beside a Proxy-Uri without one.
    """
    proxy = message.first(PROXY_URI)
    if proxy is None or not message.is_request:
        return
    allowed = _PATH_AND_QUERY if _NO_PATH.fullmatch(proxy.octets) else set()
    for number in sorted((_HOST_AND_PORT | _PATH_AND_QUERY) - allowed):
        option = message.first(number)
        if option is not None:
            yield CoapFlaw(
                f"{option.name} beside a Proxy-Uri, which stands for the whole URI",
                _BY_PROXY_URI,
                option,
            )


def _of_value(option: CoapOption) -> Iterator[CoapFlaw]:
    row, value = option.definition, option.value
    if isinstance(row.value, TextString) and isinstance(value, bytes):
        yield CoapFlaw(f"{row.name} is not UTF-8", rfc(7252, "3.2"), option)
    if option.octets in row.never:
        yield CoapFlaw(f"{row.name} is never {value!r}", row.cite, option)
    if isinstance(row.value, ShortNumber) and row.value.has_leading_zeros(option.octets):
        yield CoapFlaw(
            f"{row.name} has leading zeros: octets that carry nothing", rfc(7252, "3.2"), option,
            wasteful=True,
        )  # fmt: skip
    if isinstance(value, Block) and value.szx == 7:
        yield CoapFlaw(
            f"{row.name} has size exponent 7, which is reserved", rfc(7959, "2.2"), option
        )
    if option.number == OSCORE:
        try:
            oscore_option.decode(Reader(option.octets))
        except WireError as error:
            yield CoapFlaw(
                f"OSCORE option: {error.message}", error.cite or oscore_option.CITE, option
            )


def _of_payload(message: CoapMessage) -> Iterator[CoapFlaw]:
    if message.payload and message.code in _WITHOUT_PAYLOAD:
        name = code_text(message.code)
        yield CoapFlaw(f"{name} is not defined to have a payload", _WITHOUT_PAYLOAD[message.code])
    if message.code == _VALID and message.first(ETAG) is None:
        yield CoapFlaw("2.03 Valid has no ETag, which says what is valid", rfc(7252, "5.9.1.3"))
    oscore = message.first(OSCORE)
    is_diagnostic = class_of(message.code) in (4, 5) and message.first(_CONTENT_FORMAT) is None
    # the payload of an OSCORE message is ciphertext, whatever its code
    if is_diagnostic and oscore is None and not _is_utf8(message.payload):
        yield CoapFlaw("the diagnostic payload is not UTF-8", rfc(7252, "5.5.2"))
    if oscore is not None and not message.payload:
        yield CoapFlaw("an OSCORE message has no payload", rfc(8613, "2"), oscore)
    describing = message.first(BLOCK1 if message.is_request else BLOCK2)
    if describing is not None:
        block = describing.value
        size = len(message.payload)
        if isinstance(block, Block) and block.szx < 7 and block.more and size != block.size:
            yield CoapFlaw(
                f"{describing.name} says that more blocks follow this one of {block.size} octets, "
                f"and the payload has {size}",
                rfc(7959, "2.3"),
                describing,
            )


def _is_utf8(octets: bytes) -> bool:
    try:
        octets.decode()
    except UnicodeDecodeError:
        return False
    return True
