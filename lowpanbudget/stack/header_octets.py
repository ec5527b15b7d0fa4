"""The octets that the value of one header stands for, of the link, of 6LoWPAN or of the internet."""

from collections.abc import Callable
from functools import partial
from typing import Any

from lowpanbudget.arguments import written
from lowpanbudget.bits import Writer, as_octets
from lowpanbudget.cites import rfc
from lowpanbudget.env import address
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.fields import layout_of
from lowpanbudget.layers.internet import extension, source_route, udp
from lowpanbudget.layers.internet.chain import FragmentHeader
from lowpanbudget.layers.internet.extension import OptionsHeader, OtherHeader, RoutingHeader
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.source_route import SourceRoute
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.link import beacon
from lowpanbudget.layers.link.beacon import Beacon
from lowpanbudget.layers.link.contents import Command, encode_command
from lowpanbudget.layers.lowpan import as_sent, fragment, lorh, mesh, recovery
from lowpanbudget.layers.lowpan.escape import Escape
from lowpanbudget.layers.lowpan.extension_nhc import ExtensionNhc
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.ghc_headers import Icmpv6Nhc
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.layers.lowpan.lorh import IpInIp, Rpi, Skipped, SrhLorh
from lowpanbudget.layers.lowpan.mesh import Broadcast, Mesh
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.layers.lowpan.recovery import Rfrag, RfragAck
from lowpanbudget.values import replace

AnyHeader = (
    Ipv6 | OptionsHeader | SourceRoute | RoutingHeader | FragmentHeader | OtherHeader | Udp
    | Mesh | Broadcast | Fragment | Rfrag | RfragAck | Escape | SrhLorh | Rpi | IpInIp | Skipped
    | Iphc | UdpNhc | ExtensionNhc | Icmpv6Nhc | Legacy | Beacon | Command
)  # fmt: skip
_ENCODERS: dict[type, Callable[[Writer, Any], None]] = {
    **dict.fromkeys((OptionsHeader, RoutingHeader, OtherHeader), extension.encode),
    **dict.fromkeys((SrhLorh, IpInIp, Skipped), lorh.encode),
    Beacon: beacon.encode,
    Command: encode_command,
    SourceRoute: source_route.encode,
    Mesh: mesh.encode,
    Fragment: fragment.encode,
    Rfrag: recovery.encode,
    Iphc: as_sent.encode_iphc,
    UdpNhc: as_sent.encode_udp,
    ExtensionNhc: as_sent.encode_extension,
    Legacy: as_sent.encode_legacy,
    Rpi: as_sent.encode_rpi,
    **{
        kind: layout_of(kind).write
        for kind in (Ipv6, FragmentHeader, Udp, Broadcast, RfragAck, Escape, Icmpv6Nhc)
    },
}


def write_header(
    header: AnyHeader,
    carried: bytes | None = None,
    source: object = None,
    destination: object = None,
) -> bytes:
    """Return the octets of one header of IPv6, UDP or 6LoWPAN as its value stands, or of a beacon or command.

    A compressed header that was read (``Iphc``, ``UdpNhc``, ``ExtensionNhc``, ``Legacy``) is written in the form
    that it came in, octet for octet; what was changed of it, in the same form where that can carry it, and byte
    code (RFC 7400) and ``Legacy`` not at all. ``compress`` finds the shortest form of a datagram.

    Source: that of the header's class, such as RFC 4944 section 5.2 of ``Mesh``. Lengths, next headers and
    checksums are those of the value; an ``OptionsHeader`` is padded to a multiple of 8 octets. With ``carried``,
    the octets behind the header, those are returned as well, and what the header says of them is what they are: the
    payload length of ``Ipv6`` (RFC 8200 section 3), length and checksum of ``Udp`` (RFC 768; RFC 8200 section 8.1).
    For that one, ``source`` and ``destination`` (the final one) are those of the IPv6 header, as text, 16 octets or
    ``IPv6Address``. ``encode_frame`` takes a beacon or command as its payload. ``write_icmpv6`` writes messages.
    Raises ``RequestError`` for another value, for what a field cannot hold, for what has no field in the form of
    the header, and for addresses where no checksum is made of them.
    """
    encoder = _ENCODERS.get(type(header))
    if encoder is None:
        raise RequestError(
            f"{repeated(header)} is no header that is written alone",
            hint="write_icmpv6 writes messages, encode_frame headers of the link",
        )
    behind = b"" if carried is None else as_octets(carried, "carried octets")
    if carried is not None and isinstance(header, Udp):
        header = _with_checksum(header, behind, source, destination)
    elif not (source is None and destination is None):
        raise RequestError(
            "source and destination are for the checksum of a Udp and what it carries",
            cite=rfc(8200, "8.1"),
            hint="Give them with Udp and carried, or leave them out",
        )
    elif carried is not None and isinstance(header, Ipv6):
        header = replace(header, payload_length=len(behind))
    writer = Writer()
    written(header, partial(encoder, writer))
    return bytes(writer.data) + behind


def _with_checksum(header: Udp, carried: bytes, source: object, destination: object) -> Udp:
    """Return the header with the length and the checksum of what it carries."""
    ends = address(source, "source"), address(destination, "destination")
    blank = replace(header, length=udp.OCTETS + len(carried), checksum=0)
    return replace(blank, checksum=udp.checksum(*ends, write_header(blank) + carried))
