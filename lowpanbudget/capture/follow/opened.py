"""What was opened in a UDP payload that went sealed, and a frame told with it."""

from collections.abc import Sequence
from hashlib import blake2b
from typing import NamedTuple

from lowpanbudget.bits import Span
from lowpanbudget.cites import Cite
from lowpanbudget.errors import RequestError
from lowpanbudget.fields import Head
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.incoming import UNREADABLE, Notice
from lowpanbudget.values import dataclass, field, replace

NOT_OPENED = "content-not-opened"


class NonceUse(NamedTuple):
    """One use of a nonce under a key: digests that tell both apart from others, and what was sealed; how it was told.

    ``told`` are the numbers on the wire that the nonce is made of, ``cite`` is where it is said that they are new.
    """

    nonce: bytes
    sealed: bytes
    told: str
    cite: Cite


def nonce_use(key: bytes, nonce: bytes, sealed: bytes, told: str, cite: Cite) -> NonceUse:
    """Return the use of a nonce, given by octets that stand for it under this key; nothing of the key can be read."""
    mark = blake2b(nonce, key=key, digest_size=16).digest()
    return NonceUse(mark, blake2b(sealed, digest_size=16).digest(), told, cite)


@dataclass(slots=True)
class OpenedContent:
    """A UDP payload whose sealed content was looked into; ``heads``, ``spans`` and ``notices`` count from its start.

    ``application`` are the octets that the application sent, ``message`` the innermost CoAP message in the clear,
    ``hidden`` the part of it that nobody could read: all None where nothing was opened. ``refused`` tells that keys fit
    by their names, and that none of them opens it, ``shut_with_request`` that it answers a request that was not opened,
    ``unasked`` one that was not heard.
    ``nonces`` are those under which what was opened is sealed.
    """

    octets: bytes
    heads: list[Head] = field(default_factory=list)
    spans: list[Span] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    message: CoapMessage | None = None
    hidden: CoapMessage | None = None
    application: bytes | None = None
    sealed: tuple[int, int] = (0, 0)
    refused: bool = False
    shut_with_request: bool = False
    unasked: bool = False
    nonces: list[NonceUse] = field(default_factory=list)

    @property
    def is_open(self) -> bool:
        """Return whether something in it was opened: what stands in the range ``sealed``."""
        return self.sealed[1] > self.sealed[0]

    @property
    def clear(self) -> bytes | None:
        """Return the UDP payload as it would be in the clear; None where nothing was opened."""
        if not self.is_open:
            return None
        try:
            return self.application if self.message is None else bytes(self.message)
        except RequestError:
            return None  # a message that was sealed though it may not be sent

    def unseal(self, start: int, end: int) -> None:
        """Note that octets in this range were opened."""
        first, last = self.sealed
        self.sealed = (min(first, start), max(last, end)) if self.is_open else (start, end)

    def opened_in(self, frame: Frame, end: int) -> tuple[int, int]:
        """Return the range that was opened of a frame whose datagram ends at octet ``end``; empty where none was."""
        at = end - len(self.octets)
        stands = self.is_open and self._is_in_line(frame, end)
        return (self.sealed[0] + at, self.sealed[1] + at) if stands else (0, 0)

    def within(self, frame: Frame, end: int) -> Frame:
        """Return a frame, whose datagram ends at octet ``end``, with what was opened in place of what was sealed."""
        at = end - len(self.octets)
        if not self._is_in_line(frame, end):
            return replace(frame, notices=(*frame.notices, *self._notices_about(frame)))
        notices = (*frame.notices, *(one._replace(offset=one.offset + at) for one in self.notices))
        if not self.is_open:
            return replace(frame, notices=notices)
        before = [span for span in frame.spans if span.offset_bits < at * 8]
        after = [span for span in frame.spans if span.offset_bits >= end * 8]
        heads = [head for head in frame.heads if head.start < at]
        heads += [Head(head.value, head.start + at, head.end + at) for head in self.heads]
        return replace(
            frame,
            heads=tuple(heads),
            spans=(*before, *moved(self.spans, at), *after),
            notices=tuple(self.holding(notices)),
        )

    def holding(self, notices: Sequence[Notice]) -> list[Notice]:
        """Return the notices about a frame that still hold when this was opened in it."""
        if not self.is_open:
            return list(notices)
        return [notice for notice in notices if notice.name != UNREADABLE]

    def _notices_about(self, frame: Frame) -> list[Notice]:
        """Return the notices as they stand in a frame that brings the octets in another form: behind the UDP header."""
        ends = [head.end for head in frame.heads if isinstance(head.value, Udp | UdpNhc)]
        return [one._replace(offset=ends[-1] if ends else 0) for one in self.notices]

    def _is_in_line(self, frame: Frame, end: int) -> bool:
        """Return whether the octets stand in the frame in one piece, as they are."""
        at = end - len(self.octets)
        clear = frame.octets[:end] if frame.payload is None else frame.payload
        behind = any(
            head.end == at and isinstance(head.value, Udp | UdpNhc) for head in frame.heads
        )
        return behind and clear.endswith(self.octets)


def moved(spans: Sequence[Span], octets: int) -> list[Span]:
    """Return spans so many octets further on."""
    return [span._replace(offset_bits=span.offset_bits + 8 * octets) for span in spans]
