"""What reading a 6LoWPAN payload gives: notices, a datagram or a fragment, and the link addresses that count."""

from collections.abc import Sequence
from typing import Any, NamedTuple, Protocol

from lowpanbudget.bits import Reader, Span
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import WireError
from lowpanbudget.fields import Head
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.stack.packets import packet_of
from lowpanbudget.stack.routed import Placed
from lowpanbudget.stack.upper import unused_remark
from lowpanbudget.values import dataclass, field


class Notice(NamedTuple):
    """What reading noticed, without judging it: ``name`` for code, ``text`` for people, where, and which section.

    ``hint`` is what to try, "" where nothing is known.
    """

    name: str
    text: str
    cite: Cite | None = None
    offset: int = 0
    hint: str = ""

    def __str__(self) -> str:
        """Return the text with its cite."""
        return f"{self.text} ({self.cite})" if self.cite else self.text


@dataclass(frozen=True, slots=True)
class Datagram:
    """An IPv6 packet: ``octets``; ``checksum_elided`` tells that its UDP checksum was restored, not received."""

    octets: bytes
    checksum_elided: bool = False

    def packet(self) -> Any:
        """Return the datagram as a scapy packet, to go on with."""
        return packet_of(self.octets)


ELIDED = (
    "udp-checksum-elided",
    "the UDP checksum was elided; it is restored by computing it",
    rfc(6282, "4.3.2"),
)

UNCHECKED = (
    "elided-without-check",
    "a UDP checksum is elided and no integrity code was verified: a receiver must drop it",
    rfc(6282, "4.3.2"),
)

UNREADABLE = "payload-unreadable"

# the fields of transport headers that notices are about
CHECKSUM, CHECKSUM_FORM = "checksum", "checksum form (C)"


def octet_of(spans: Sequence[Span], name: str, start: int) -> int:
    """Return the octet of the last field with this name from octet ``start`` on; ``start`` where there is none."""
    at = next((span.offset_bits for span in reversed(spans) if span.name == name), 0)
    return max(at // 8, start)


class Taking(Protocol):
    """What heads, notices and a whole datagram are put in while they are read."""

    heads: list[Head]
    notices: list[Notice]
    values: tuple[Any, ...]
    datagram: Datagram | None
    checksum_elided: bool

    def note(self, name: str, text: str, cite: Cite | None, offset: int) -> None:
        """Add a notice."""

    def unreadable(self, fault: WireError | None) -> None:
        """Note why what the headers carry could not be read, if anything stopped that."""


class Noting:
    """What takes notices."""

    __slots__ = ()
    notices: list[Notice]

    def unreadable(self, fault: WireError | None) -> None:
        """Note why what the headers carry could not be read, if anything stopped that."""
        if fault is not None:
            self.note(UNREADABLE, fault.message, fault.cite, fault.offset)

    def note_unused(self, reader: Reader) -> None:
        """Note the reserved bits that are set, of all that was read."""
        for span in reader.unused:
            self.note(*unused_remark(span))

    def note(self, name: str, text: str, cite: Cite | None, offset: int) -> None:
        """Add a notice about what stands at ``offset``, in octets of what is read."""
        self.notices.append(Notice(name, text, cite, offset))


@dataclass(slots=True)
class Lowpan(Noting):
    """What reading a 6LoWPAN payload gave.

    ``source`` and ``destination`` are the link addresses that count: a mesh header's ends, else the MAC's. A fragment
    has ``fragment`` and the ``fragment_octets`` that it brings, uncompressed (of a recoverable fragment: compressed); a
    whole datagram has ``datagram``. ``routing`` holds routing headers until the IPHC header that they belong to;
    ``values`` are the headers that were restored, outermost first.
    """

    source: bytes | None = None
    destination: bytes | None = None
    heads: list[Head] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    values: tuple[Any, ...] = ()
    datagram: Datagram | None = None
    fragment: Fragment | Rfrag | None = None
    fragment_octets: bytes = b""
    checksum_elided: bool = False
    routing: list[Placed] = field(default_factory=list)
    compressed: bytes = b""  # what a first recoverable fragment brings
    dispatch: str = ""  # the kind of header that was begun last, by its dispatch octet
    done: bool = False
