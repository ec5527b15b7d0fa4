"""Which frames of a capture somebody wants to see: those of a node, of a flow, and of a time.

All frames are followed whatever is wanted: contexts, devices and fragments come from the others too.
"""

import re
from collections.abc import Iterable
from ipaddress import IPv6Address
from typing import TYPE_CHECKING

from lowpanbudget.arguments import typed
from lowpanbudget.capture.files.line_time import leading_time
from lowpanbudget.capture.files.pcap import SECOND
from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.follow.node_names import node_name
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.recent import Recent
from lowpanbudget.capture.time_span import span_in
from lowpanbudget.declared import as_whole
from lowpanbudget.env import interface_identifier
from lowpanbudget.errors import RequestError
from lowpanbudget.layers.link.mac import FrameType
from lowpanbudget.values import dataclass

if TYPE_CHECKING:
    from lowpanbudget.capture.follow.matching import Matcher
    from lowpanbudget.design.meaning import Design
    from lowpanbudget.stack.decoder import Decoder

_MOST_HELD = 65536  # frames of the node and flow, by number
_IID = (1 << 64) - 1
_SECONDS = re.compile(r"\d{1,12}(?:[.]\d{1,99})?")
_DATE = re.compile(r"\d{4}-")  # a clock without a date tells no time of a capture
_PORT, _LAST_PORT = re.compile(r"\d{1,5}"), 0xFFFF
_HOW_TIME = (
    "Seconds from the first frame such as 90 or 0.25, with units such as 10min, or a date-time such as "
    "2031-05-04T10:20:30Z"
)


@dataclass(slots=True)
class Moment:
    """A time as somebody gave it: in nanoseconds, from the first frame or, as a date, from 1970."""

    time_ns: int
    since_first: bool

    def at(self, first_ns: int) -> int:
        """Return it as frames count."""
        return self.time_ns + first_ns if self.since_first else self.time_ns


def moment(value: object, name: str) -> Moment | None:
    """Return a time of seconds, a span or a date-time; None for None. Raises ``RequestError`` that names ``name``."""
    if value is None:
        return None
    text = typed(value).strip()
    if _SECONDS.fullmatch(text):
        seconds, _, fraction = text.partition(".")
        return Moment(int(seconds) * SECOND + int(fraction[:9].ljust(9, "0")), since_first=True)
    span = span_in(text) if text else None
    if span is not None:
        return Moment(span, since_first=True)
    time_ns, rest = leading_time(f"{text} ")
    if time_ns is None or rest.strip() or not _DATE.match(text):
        raise RequestError(f"{name} {text!r} is no time", hint=_HOW_TIME)
    return Moment(time_ns, since_first=False)


class WantedNode:
    """A node by any of its addresses: those that devices and identifiers tie to the one given count as well.

    An address whose identifier is that of a link address is the node's below every prefix; another is none but itself.
    """

    def __init__(self, node: object, design: "Design | None", name: str) -> None:
        # a number is a short address, as among devices
        number = as_whole(node)
        text = typed(node) if number is None else f"{number:#06x}"
        self._links: set[bytes] = set()
        self._addresses: set[IPv6Address] = set()
        self._own: set[int] = (
            set()
        )  # identifiers made of its link addresses: they count below any prefix
        self._given: set[int] = set()  # those of its addresses, which may be made of a link address
        self._decoder: Decoder | None = None
        stations = () if design is None else design.stations
        station = next((one for one in stations if one.name == text), None)
        if station is not None and design is not None:
            self._links |= {one for one in (station.short, station.extended) if one is not None}
            self._addresses.add(station.ip(design.link.addresses))
        else:
            named = node_name(text, name, [one.name for one in stations])
            self._links |= {one for one in (named.link,) if one is not None}
            self._addresses |= {one for one in (named.address,) if one is not None}
        self._given = {int(address) & _IID for address in self._addresses}
        for link in tuple(self._links):
            self._add(link)

    def is_in(self, sighting: Sighting) -> bool:
        """Return whether it sends or receives a frame, or what the frame carries."""
        if sighting.decoder is not self._decoder:
            self._decoder = sighting.decoder
            self._learn(sighting.decoder)
        mac = None if sighting.example is None else sighting.example.mac
        links = {sighting.source, sighting.destination, sighting.body.source}
        if mac is not None:
            links |= {mac.source, mac.destination}
        if any(link is not None and self._is_link(link) for link in links):
            return True
        flow = sighting.flow
        return flow is not None and (
            self._is_address(flow.source) or self._is_address(flow.destination)
        )

    def _learn(self, decoder: "Decoder") -> None:
        """Tie short addresses to the EUI-64s that devices have."""
        for key, extended in decoder.devices.items():
            short = (key[1] if isinstance(key, tuple) else key).to_bytes(2, "big")
            if self._is_link(extended) or self._is_link(short):
                self._add(short)
                self._add(extended)

    def _add(self, link: bytes) -> None:
        self._links.add(link)
        identifier = interface_identifier(link)
        if identifier is not None:
            self._own.add(identifier)

    def _is_link(self, link: bytes) -> bool:
        if link not in self._links and interface_identifier(link) in self._given:
            self._add(link)
        return link in self._links

    def _is_address(self, address: IPv6Address) -> bool:
        if address in self._addresses:
            return True
        return not address.is_multicast and int(address) & _IID in self._own


class WantedFlow:
    """A flow: one of the design by its name, a UDP port, or the words that are printed for it, with the name or not."""

    def __init__(self, text: str, matcher: "Matcher | None", name: str) -> None:
        names = [] if matcher is None else [flow.name for flow in matcher.design.flows]
        self._is_named = text in names
        for one in names:
            text = text.removeprefix(f"{one}: ")  # as it stands before the words of a flow
        self._text, self._matcher = text, matcher
        self._port = int(text) if _PORT.fullmatch(text) and int(text) <= _LAST_PORT else None
        if not self._is_named and self._port is None and " to " not in text:
            hint = "A UDP port, or a flow in the words of a survey"
            if matcher is not None:
                known = ", ".join(names)
                hint = f"A flow of the design ({known}), a UDP port, or a flow in the words of a survey"
            raise RequestError(f"{name} {text!r} is no flow", hint=hint)

    def is_in(self, sighting: Sighting) -> bool:
        """Return whether a frame carries it, or a part of it."""
        key = sighting.flow
        if key is None:
            return False
        if self._is_named:
            return self._is_of_design(sighting, key)
        if self._port is not None:
            return self._port in (key.source_port, key.destination_port)
        return self._text == str(key)

    def _is_of_design(self, sighting: Sighting, key: FlowKey) -> bool:
        if sighting.datagram is not None:
            matched = sighting.matched
            return matched is not None and matched.flow.name == self._text
        # a fragment shows its ports alone
        flows = () if self._matcher is None else self._matcher.with_ports(key)
        return any(flow.name == self._text for flow in flows)


class Narrowing:
    """Tells frames that are wanted from the others, and remembers the last 65536 of the node and flow by number."""

    def __init__(
        self,
        node: str | int | None = None,
        flow: str | int | None = None,
        since: object = None,
        until: object = None,
        *,
        matcher: "Matcher | None" = None,
    ) -> None:
        design = None if matcher is None else matcher.design
        self._node = None if node is None else WantedNode(node, design, "node")
        self._flow = None if flow is None else WantedFlow(typed(flow), matcher, "flow")
        self._since, self._until = moment(since, "since"), moment(until, "until")
        self._first_ns: int | None = None
        self._known = Recent[int, bool](_MOST_HELD)  # of the node and flow: whether in time
        self._last: tuple[int | None, bool] = None, False
        both = self._since, self._until
        if both[0] is not None and both[1] is not None:
            alike = both[0].since_first == both[1].since_first
            if alike and both[0].time_ns > both[1].time_ns:
                raise RequestError(f"since {since} is after until {until}", hint="Exchange them")

    def wants(self, sighting: Sighting) -> bool:
        """Return whether a record is wanted; records are asked about in their order."""
        if self._first_ns is None:
            self._first_ns = sighting.record.time_ns
        if not self._is_of(sighting):
            return False
        wanted = self._is_in_time(sighting.record.time_ns)
        self._known[sighting.number] = wanted
        return wanted

    def wanted(self, numbers: Iterable[int], *, at_any_time: bool = False) -> bool:
        """Return whether some of these frames were wanted, or would have been at another time."""
        known = self._known
        return any(number in known and (at_any_time or known[number]) for number in numbers)

    def _is_in_time(self, time_ns: int | None) -> bool:
        if self._since is None and self._until is None:
            return True
        if time_ns is None or self._first_ns is None:
            return False
        since, until = self._since, self._until
        return (since is None or time_ns >= since.at(self._first_ns)) and (
            until is None or time_ns <= until.at(self._first_ns)
        )

    def _is_of(self, sighting: Sighting) -> bool:
        if self._node is None and self._flow is None:
            return True
        mac = None if sighting.example is None else sighting.example.mac
        if mac is not None and mac.frame_type == FrameType.ACKNOWLEDGEMENT and mac.source is None:
            sequence, wanted = self._last  # it names nobody: it belongs to the frame before it
            return wanted and sequence == sighting.sequence
        wanted = (self._node is None or self._node.is_in(sighting)) and (
            self._flow is None or self._flow.is_in(sighting)
        )
        self._last = sighting.sequence, wanted
        return wanted


def narrowing_of(
    node: str | int | None,
    flow: str | int | None,
    since: object,
    until: object,
    matcher: "Matcher | None",
) -> Narrowing | None:
    """Return what tells wanted frames from others; None where nothing of this is asked for."""
    if node is flow is since is until is None:
        return None
    return Narrowing(node, flow, since, until, matcher=matcher)
