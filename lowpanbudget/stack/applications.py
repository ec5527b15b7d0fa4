"""What UDP ports carry: CoAP and DTLS by the ports registered for them, and wherever somebody says so.

"header compression efficiency is improved when it also supports a port number in the 61616-61631 compressed UDP port
space" (RFC 7252 section 7.1, of a server): such a port tells nothing by itself.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from lowpanbudget.arguments import number_within
from lowpanbudget.bits import Nature, Reader
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.fields import Head
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.chain import is_cut
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.lowpan.extension_nhc import ExtensionNhc
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.incoming import UNREADABLE, Notice
from lowpanbudget.stack.upper import (
    COAP,
    DTLS,
    Upper,
    read_application,
    registered,
)
from lowpanbudget.values import FrozenDict, replace

Ports = tuple[int, int]  # those of both ends, in any order


class Applications(FrozenDict[frozenset[int], str]):
    """What is carried between UDP ports that are not registered for it: pairs of ports, or one port of either end."""

    __slots__ = ()

    @classmethod
    def given(cls, table: object) -> "Applications":
        """Return what a caller says: "CoAP" or "DTLS" by port or by pair of ports; raises ``RequestError``."""
        if table is None or isinstance(table, Applications):
            return table or REGISTERED
        if not isinstance(table, Mapping):
            raise RequestError(f"applications {repeated(table)} is no mapping", hint=_HINT)
        found = {}
        for key, what in table.items():
            ports = key if isinstance(key, tuple) and len(key) == len(_PAIR) else (key,)
            numbers = [number_within(port, 16) for port in ports]
            if None in numbers or what not in (COAP, DTLS):
                raise RequestError(
                    f"applications has {repeated(key)} for {repeated(what)}", hint=_HINT
                )
            found[frozenset(number for number in numbers if number is not None)] = what
        return cls(found)

    def of(self, source_port: int, destination_port: int) -> str:
        """Return "CoAP" or "DTLS", or nothing where nobody tells what goes between two ports."""
        what = registered((source_port, destination_port))
        if not what and self:
            pairs = {source_port, destination_port}, {destination_port}, {source_port}
            what = next((self[key] for key in map(frozenset, pairs) if key in self), "")
        return what

    def read_behind(self, reader: Reader, ports: Ports) -> Upper | None:
        """Return what a UDP payload that is left is; None where registered ports tell it, or nobody does."""
        what = "" if registered(ports) else self.of(*ports)
        return read_application(reader, what) if what else None

    def reread(self, frame: Frame) -> Frame:
        """Return a frame or datagram with its application data read as what they are."""
        last = frame.heads[-1] if self and frame.heads and frame.datagram is not None else None
        if last is None or not isinstance(last.value, Udp | UdpNhc) or _is_part(frame.heads):
            return frame
        spans, at = frame.spans, last.end
        place = next((n for n, span in enumerate(spans) if span.offset_bits == 8 * at), None)
        if place is None:
            return frame
        span = spans[place]
        octets: Any = span.value
        if span.nature is not Nature.PAYLOAD or not isinstance(octets, bytes):
            return frame
        reader = Reader(bytes(at) + octets, at)
        upper = self.read_behind(reader, (last.value.source_port, last.value.destination_port))
        if upper is None:
            return frame
        fault, notices = upper.fault, frame.notices
        if fault is not None:
            notices += (Notice(UNREADABLE, fault.message, fault.cite, fault.offset),)
        before = [one for one in frame.free if one.start < at]
        return replace(
            frame,
            heads=(*frame.heads, *upper.heads),
            spans=(*spans[:place], *reader.spans, *spans[place + 1 :]),
            free=(*before, *reader.free, *(one for one in frame.free if one.start > at)),
            notices=notices,
        )

    def read_more(self, upper: Upper, datagram: bytes) -> None:
        """Read on in what was read behind the headers of a datagram, where UDP ends it."""
        last = upper.heads[-1] if self and upper.heads else None
        if last is None or not isinstance(last.value, Udp) or upper.fault is not None:
            return
        ports = last.value.source_port, last.value.destination_port
        behind = self.read_behind(Reader(datagram, last.end), ports)
        if behind is not None:
            upper.heads += behind.heads
            upper.fault = behind.fault


def _is_part(heads: Iterable[Head]) -> bool:
    """Return whether UDP carries a part of its data only, the others in other fragments of IPv6."""
    extensions = (head.value for head in heads if isinstance(head.value, ExtensionNhc))
    return any(one.kind == ipv6.FRAGMENT and is_cut(one.octets) for one in extensions)


REGISTERED = Applications()
_PAIR = ("port", "port")
_HINT = 'Give what ports carry, such as applications={61616: "CoAP", (61617, 61618): "DTLS"}'
