"""Datagrams that came in fragments, or without a link: read when they are whole, and once for all that are alike."""

from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.capture.follow.flows import upper_of
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.errors import WireError
from lowpanbudget.fields import Head
from lowpanbudget.findings import checksum
from lowpanbudget.findings.datagrams import headers_frame
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.heard_headers import HeardHeaders
from lowpanbudget.findings.questions import Plan
from lowpanbudget.findings.rule import Rule
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.internet.chain import PseudoHeader
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.stack.incoming import UNREADABLE as PAYLOAD_UNREADABLE
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.stack.misplaced import note_headers
from lowpanbudget.stack.upper import Upper, read_upper
from lowpanbudget.values import dataclass, field

_PORTS = 4  # octets of a UDP header up to the end of its ports (RFC 768)
_PLAIN = (Mac, Fragment, Iphc, UdpNhc)  # what frames bring whose datagrams may be alike


@dataclass(slots=True)
class PutTogether:
    """A datagram put together, and what holds for all that are like it: ``hits``, and the ``plan`` of other checks.

    ``header`` is the innermost in it, ``upper`` what was read behind the outermost, ``notices`` what is odd in it and
    was not told of a fragment. Of those with alike frames, the first and the last, one is like it that has the same
    ``front``, came in as many, and has a right checksum; where ``front`` is None, none is.
    """

    header: Ipv6
    tunnelled: bool
    headers: HeardHeaders
    upper: Upper
    notices: list[Notice]
    numbers: tuple[int, ...]
    is_wrong: bool
    front: bytes | None = None
    pseudo: int = 0
    hits: list[tuple[Rule, Hit]] = field(default_factory=list)
    plan: Plan = field(default_factory=dict)

    def is_like(self, octets: bytes, sighting: Sighting) -> bool:
        """Return whether a datagram that this frame completes is read as this one was."""
        return (
            self.front is not None
            and octets.startswith(self.front)
            and len(sighting.parts) == len(self.numbers)
            and udp.is_right(self.pseudo, octets[ipv6.OCTETS :])
        )

    def again(self, hit: Hit, numbers: tuple[int, ...]) -> Hit:
        """Return a hit of it as one of the datagram that came in these frames."""
        return hit._replace(frames=numbers) if hit.frames == self.numbers else hit


def assembled(scene: Scene, octets: bytes, sighting: Sighting) -> PutTogether | None:
    """Return what a datagram is that a frame completes; None where its header cannot be read."""
    try:
        outer = ipv6.header_of(octets)
    except WireError:
        return None
    ends = PseudoHeader(outer.source, outer.destination)
    upper = read_upper(Reader(octets, ipv6.OCTETS), outer.next_header, ends)
    scene.sighting.decoder.applications.read_more(upper, octets)
    layers = upper.layers
    header = next((one for one in reversed(layers) if isinstance(one, Ipv6)), outer)
    headers = scene.headers(header, layers, upper_of(octets))
    is_wrong = checksum.is_wrong(octets)
    made = PutTogether(
        header, header is not outer, headers, upper, _notices(scene, outer, upper), sighting.numbers, is_wrong
    )  # fmt: skip
    if not is_wrong and sighting.opened is None and _is_plain(upper, layers, sighting):
        made.front = octets[: ipv6.OCTETS + _PORTS]
        made.pseudo = udp.pseudo_sum(outer.source, outer.destination)
    return made


def _notices(scene: Scene, outer: Ipv6, upper: Upper) -> list[Notice]:
    first = headers_frame(scene.frame, scene.fragmented)
    told = [notice.name for notice in first.notices] if first is not None else []
    notices = note_headers([Head(outer, 0, ipv6.OCTETS), *upper.heads])
    return [notice for notice in notices if notice.name not in told]


def unreadable(upper: Upper) -> Notice | None:
    """Return the notice of what could not be read behind the headers of a datagram; None where all could."""
    fault = upper.fault
    if fault is None:
        return None
    return Notice(PAYLOAD_UNREADABLE, fault.message, fault.cite, fault.offset)


def _is_plain(upper: Upper, layers: list[Any], sighting: Sighting) -> bool:
    """Return whether a datagram is UDP alone, whose octets nobody reads, in frames without anything rare.

    What its checks ask of its frame is then told by its last fragment as well as by the first.
    """
    first = sighting.headers_template
    return (
        first is not None
        and upper.fault is None
        and upper.remark is None
        and [one.__class__ for one in layers] == [Udp]
        and all(isinstance(one, _PLAIN) for one in first.example.layers)
    )
