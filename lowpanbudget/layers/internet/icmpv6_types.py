"""What a type and code of an ICMPv6 message mean: name, layout, what a receiver checks (RFC 4443 section 2.1)."""

from collections.abc import Mapping
from typing import Any, NamedTuple, Protocol

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.fields import layout_of

NO_CODES = {0: "no code"}
RPL = 155  # RFC 6550 section 6
# types without a layout here; the numbers above 129 are from memory
OTHER_NAMES = {
    100: "private experimentation",
    101: "private experimentation",
    127: "reserved for expansion of error messages",
    130: "multicast listener query",
    131: "multicast listener report",
    132: "multicast listener done",
    143: "version 2 multicast listener report",
    RPL: "RPL control message",
    200: "private experimentation",
    201: "private experimentation",
    255: "reserved for expansion of informational messages",
}


class MessageBody(Protocol):
    """What reads and writes the message behind a type and code: a layout, or code beside it."""

    @property
    def name(self) -> str: ...  # noqa: D102  # a protocol's member

    @property
    def cite(self) -> Cite: ...  # noqa: D102  # a protocol's member

    @property
    def value(self) -> type[Any]: ...  # noqa: D102  # a protocol's member

    def read(self, reader: Reader, **around: Any) -> Any:
        """Return the message that comes next."""

    def write(self, writer: Writer, value: Any, **around: int) -> None:
        """Append the message."""


class MessageType(NamedTuple):
    """One ICMPv6 message: its type ``number``, its ``code`` (None: any), its body, the meanings of the codes.

    ``hop_limit`` is what the IPv6 header must hold for the message to be valid, None where nothing is asked;
    ``code_mask`` the bits of the code that a receiver looks at; ``cite`` its section where it is not the layout's.
    """

    number: int
    body: MessageBody
    codes: Mapping[int, str]
    code: int | None = None
    hop_limit: int | None = None
    code_mask: int = 0xFF
    section: Cite | None = None
    title: str = ""

    @property
    def name(self) -> str:
        """Return the name of the message."""
        return self.title or self.body.name

    @property
    def cite(self) -> Cite:
        """Return the section that states it."""
        return self.section or self.body.cite

    @property
    def value(self) -> type[Any]:
        """Return the class of its values."""
        return self.body.value

    def kept(self, code: int, sent: int) -> int:
        """Return the code of a message that was read with ``sent``: what of it no receiver looks at stays."""
        return sent if self.codes is NO_CODES and code == 0 else code | sent & ~self.code_mask


def message_type(
    number: int, value: type[Any], codes: Mapping[int, str], **facts: Any
) -> MessageType:
    """Return the type of a message whose layout a class declares."""
    return MessageType(number, layout_of(value), codes, **facts)
