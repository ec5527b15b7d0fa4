"""What a CoAP message says that its standards forbid, although it can be read.

These are no message format errors: RFC 7252 section 5.4 lets the receiver ignore an option or reject the message.
"""

from collections import Counter
from collections.abc import Iterator
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet import oscore_option
from lowpanbudget.layers.internet.coap import Message
from lowpanbudget.layers.internet.coap_codes import Type, code_text
from lowpanbudget.layers.internet.coap_options import Option
from lowpanbudget.layers.internet.coap_registry import (
    DEFINITIONS,
    OSCORE,
    RESERVED_NUMBERS,
    Block,
)

_USAGE = rfc(7252, "4.3")
_BLOCK1, _BLOCK2 = 27, 23


class Flaw(NamedTuple):
    """One thing that is wrong: in words, by which section, and the option at fault if it is one."""

    text: str
    cite: Cite
    option: Option | None = None


def flaws(message: Message) -> tuple[Flaw, ...]:
    """Return what is wrong with a message that could be read, in the order of the message."""
    return (*_of_header(message), *_of_options(message), *_of_payload(message))


def _of_header(message: Message) -> Iterator[Flaw]:
    """RFC 7252 table 1 and sections 4.2 and 4.3: which type may carry what."""
    code, kind = message.code, message.type
    if code >> 5 in (1, 6, 7):
        yield Flaw(
            f"code {code_text(code)}: recipients reject classes 1, 6 and 7", rfc(7252, "4.2")
        )
    elif code >> 5 == 3:
        yield Flaw(f"code {code_text(code)}: class 3 is reserved", rfc(7252, "12.1.2"))
    if kind == Type.ACK and message.is_request:
        yield Flaw("an acknowledgement carries a request", _USAGE)
    if kind == Type.RST and code:
        yield Flaw("a reset message is not empty", _USAGE)
    if kind == Type.NON and not code:
        yield Flaw("a non-confirmable message is empty", _USAGE)


def _of_options(message: Message) -> Iterator[Flaw]:
    seen: Counter[int] = Counter()
    for option in message.options:
        row = option.definition
        seen[option.number] += 1
        if option.number in RESERVED_NUMBERS:
            yield Flaw(f"option number {option.number} is reserved", rfc(7252, "12.2"), option)
        elif option.number not in DEFINITIONS:
            if row.critical:
                yield Flaw(
                    f"option {option.number} is critical and not known here: a receiver that does not know it rejects",
                    rfc(7252, "5.4.1"),
                    option,
                )
        elif not option.fits:
            yield Flaw(f"{row.name} has {option.meaning}", row.cite, option)
        else:
            yield from _of_value(option)
        if seen[option.number] == 2 and not row.repeatable:
            yield Flaw(f"{row.name} is there more than once", rfc(7252, "5.4.5"), option)


def _of_value(option: Option) -> Iterator[Flaw]:
    row, value = option.definition, option.value
    if row.format == "string" and isinstance(value, bytes):
        yield Flaw(f"{row.name} is not UTF-8", rfc(7252, "3.2"), option)
    if row.format == "uint" and option.octets[:1] == b"\0" and row.shortest == 0:
        yield Flaw(
            f"{row.name} has leading zeros: octets that carry nothing", rfc(7252, "3.2"), option
        )
    if isinstance(value, Block) and value.szx == 7:
        yield Flaw(f"{row.name} has size exponent 7, which is reserved", rfc(7959, "2.2"), option)
    if option.number == OSCORE:
        try:
            oscore_option.decode(Reader(option.octets))
        except WireError as error:
            yield Flaw(f"OSCORE option: {error.message}", error.cite or oscore_option.CITE, option)


def _of_payload(message: Message) -> Iterator[Flaw]:
    oscore = message.first(OSCORE)
    if oscore is not None and not message.payload:
        yield Flaw("an OSCORE message has no payload", rfc(8613, "2"), oscore)
    describing = message.first(_BLOCK1 if message.is_request else _BLOCK2)
    if describing is not None:
        block = describing.value
        size = len(message.payload)
        if isinstance(block, Block) and block.szx < 7 and block.more and size != block.size:
            yield Flaw(
                f"{describing.name} says that more blocks follow this one of {block.size} octets, "
                f"and the payload has {size}",
                rfc(7959, "2.3"),
                describing,
            )
