"""Fields of restored headers: the value, and what is known while the headers of a frame are walked."""

from dataclasses import dataclass, field
from typing import Any, NamedTuple

from lowpanbudget.bits import Span
from lowpanbudget.cites import Cite
from lowpanbudget.env import Context
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.stack.frame import Frame

IN_LINE, RULE, ABOVE = "in line", "by the standard", "from the frame's length"


class Restored(NamedTuple):
    """One field of a restored header.

    ``header`` is the header's name, ``depth`` which of that name it is; ``bits`` are what the field has in the
    datagram, ``carried`` those that stood in line for it, from bit ``offset`` of the frame on (None: none did).
    ``source`` says in words what it was restored from.
    """

    header: str
    depth: int
    name: str
    value: Any
    bits: int
    carried: int
    offset: int | None
    source: str
    cite: Cite | None


@dataclass(slots=True)
class Group:
    """The spans of one header in a frame."""

    layer: str
    spans: list[Span] = field(default_factory=list)

    def of(self, *names: str) -> list[Span]:
        """Return the spans of these names."""
        return [span for span in self.spans if span.name in names]

    @property
    def bits(self) -> int:
        """Return the bits of the header."""
        return sum(span.bits for span in self.spans)


@dataclass(slots=True)
class State:
    """What is known while the headers of a frame are walked."""

    frame: Frame
    contexts: dict[int, Context]
    datagram: bytes
    headers: list[tuple[int, Ipv6]]  # IPv6 headers of the datagram, with their places
    depths: dict[str, int] = field(default_factory=dict)
    inside: bool = False  # an IPv6 header stands before: its addresses take the place of the link's

    def depth(self, name: str) -> int:
        """Count a header of this name and return which it is, from 0."""
        self.depths[name] = self.depths.get(name, -1) + 1
        return self.depths[name]

    def header(self, depth: int, default: Ipv6) -> Ipv6:
        """Return an IPv6 header of the datagram, where it is known."""
        return self.headers[depth][1] if depth < len(self.headers) else default

    @property
    def length_from(self) -> str:
        """Return in words where lengths come from."""
        fragment = self.frame.fragment
        return "from datagram_size" if isinstance(fragment, Fragment) else ABOVE


def field_of(
    header: tuple[str, int],
    name: str,
    value: Any,
    bits: int,
    spans: list[Span],
    source: str,
    cite: Cite | None,
) -> Restored:
    """Return a field whose bits in line are those of ``spans``."""
    carried = sum(span.bits for span in spans)
    offset = spans[0].offset_bits if spans else None
    return Restored(*header, name, value, bits, carried, offset, source, cite)
