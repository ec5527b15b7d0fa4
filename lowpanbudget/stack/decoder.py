"""A decoder that is set up once and used for many frames; IPv6 datagrams that came without a frame."""

from ipaddress import IPv6Address

from lowpanbudget.bits import Nature, Reader
from lowpanbudget.env import Contexts, Env
from lowpanbudget.errors import WireError
from lowpanbudget.fields import Head
from lowpanbudget.layers.internet import ipv6, rpi
from lowpanbudget.layers.internet.chain import PseudoHeader
from lowpanbudget.layers.link.security import Devices, Key
from lowpanbudget.stack.frame import Frame, decode_lowpan, decode_prepared
from lowpanbudget.stack.incoming import Datagram, Notice
from lowpanbudget.stack.upper import read_upper
from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class Decoder:
    """Contexts, keys, devices and root that hold at one moment of a capture."""

    contexts: Contexts
    keys: tuple[Key, ...]
    devices: Devices
    root: IPv6Address | None
    rpi_type: int = rpi.OLD

    def frame(self, octets: bytes, fcs: int, asn: int | None) -> Frame:
        """Return the frame that these octets are; the last ``fcs`` of them are its FCS."""
        return decode_prepared(
            octets, fcs, self.contexts, self.keys, self.devices, asn, self.root, self.rpi_type
        )

    def lowpan(self, octets: bytes, source: bytes | None, destination: bytes | None) -> Frame:
        """Return a 6LoWPAN payload decoded that came between two addresses of another link."""
        return decode_lowpan(octets, self.env(source, destination))

    def env(self, source: bytes | None = None, destination: bytes | None = None) -> Env:
        """Return the surroundings of a payload between two link addresses."""
        return Env(source, destination, None, self.contexts, self.root, self.rpi_type)


def decode_datagram(octets: bytes) -> Frame:
    """Return an IPv6 datagram that came without a link as a frame without MAC header; never raises."""
    frame = Frame(octets)
    reader = Reader(octets)
    try:
        header = ipv6.decode(reader)
    except WireError as error:
        frame.fault = error.bare()
    else:
        frame.datagram = Datagram(octets)
        ends = PseudoHeader(header.source, header.destination)
        upper = read_upper(reader, header.next_header, ends)
        frame.heads = [Head(header, 0, ipv6.OCTETS), *upper.heads]
        if upper.fault is not None:
            fault = upper.fault
            frame.notices.append(
                Notice("payload-unreadable", fault.message, fault.cite, fault.offset)
            )
    if reader.left:
        reader.layer = "payload"
        reader.rest("payload", "not read", nature=Nature.PAYLOAD)
    frame.spans = tuple(reader.spans)
    return frame
