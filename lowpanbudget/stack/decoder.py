"""A decoder that is set up once and used for many frames; IPv6 datagrams that came without a frame."""

from collections.abc import Iterable, Mapping
from ipaddress import IPv6Address
from typing import Any

from lowpanbudget.arguments import number_within
from lowpanbudget.bits import Nature, Reader, as_octets
from lowpanbudget.declared import as_whole
from lowpanbudget.env import RPI_TYPES, Contexts, Env, address
from lowpanbudget.errors import RequestError, WireError, repeated
from lowpanbudget.layers.internet import rpi
from lowpanbudget.layers.link.fcs import CITE as FCS_CITE
from lowpanbudget.layers.link.fcs import LENGTHS
from lowpanbudget.layers.link.nonces import Devices, devices_of, slot_number
from lowpanbudget.layers.link.security import Key, keys_of
from lowpanbudget.shown import LINK_ADDRESS
from lowpanbudget.stack.applications import Applications
from lowpanbudget.stack.contents import ContentLayout, Layouts, layouts_of, with_layouts
from lowpanbudget.stack.frame import Frame, FrameInMaking, decode_lowpan, decode_prepared, whole
from lowpanbudget.stack.incoming import UNREADABLE, Datagram
from lowpanbudget.stack.whole_datagram import read_datagram
from lowpanbudget.values import dataclass, field, replace

_NO_LAYOUTS = layouts_of({})


@dataclass(frozen=True, slots=True, init=False)
class Decoder:
    """What reading a frame depends on beside its octets, checked once and used for any number of frames.

    ``contexts`` as in ``Env``. ``keys``: octets, hex or ``Key``. ``devices``: short address or (PAN ID, short address),
    as numbers, octets or hex text, to EUI-64. ``root`` and ``rpi_type`` as in ``Env``. ``layouts``: what reads the
    octets of an application (such as a message of a design), by UDP port, or by (source address, destination address,
    destination port) for one flow. ``applications``: what UDP carries where no registered port tells it, "CoAP" or
    "DTLS" by port, or by the pair of both ends' ports. Raises ``RequestError`` for arguments that cannot be used.
    """

    contexts: Contexts
    keys: tuple[Key, ...] = field(repr=False)
    devices: Devices = field(metadata=LINK_ADDRESS)
    root: IPv6Address | None
    rpi_type: int
    layouts: Layouts
    applications: Applications

    def __init__(
        self,
        contexts: Mapping[int, Any] | None = None,
        keys: Iterable[object] | object = (),
        devices: Mapping[Any, Any] | None = None,
        root: object = None,
        rpi_type: int = rpi.OLD,
        layouts: Mapping[Any, ContentLayout] | None = None,
        applications: Mapping[Any, str] | None = None,
    ) -> None:
        keys = keys_of(keys)  # no traceback shows their octets from here on
        if number_within(rpi_type, 8) not in RPI_TYPES:
            Env(rpi_type=rpi_type)  # raises, and says what is allowed
        put = object.__setattr__
        put(self, "contexts", Contexts.of(contexts))
        put(self, "keys", keys)
        put(self, "devices", devices_of(devices))
        put(self, "root", None if root is None else address(root, "root"))
        put(self, "rpi_type", int(rpi_type))
        put(self, "layouts", layouts_of(layouts) if layouts else _NO_LAYOUTS)
        put(self, "applications", Applications.given(applications))

    def frame(
        self, octets: bytes, fcs: bool | int = True, asn: int | None = None, *, left_out: int = 0
    ) -> Frame:
        """Return the frame that these octets are; never raises on any octets: a fault is kept in the frame.

        ``fcs``: True (2 octets), False (none), 2 or 4. ``asn``: the absolute slot number, for slot-number nonces.
        ``left_out``: how many octets of its end, without the FCS, a capture did not keep; nothing is judged that needs
        them, and the fault says that they are missing. Raises ``RequestError`` for arguments that cannot be used.
        """
        if type(octets) is not bytes:
            octets = as_octets(octets)
        length = 2 if fcs is True else _length(fcs)
        if asn is not None:
            asn = slot_number(asn)
        missing = 0 if left_out == 0 else number_within(left_out, 32)
        if missing is None:
            raise RequestError(
                f"left_out {repeated(left_out)} is no number of octets", hint="Give 0 or more"
            )
        frame = decode_prepared(
            octets,
            length,
            self.contexts,
            self.keys,
            self.devices,
            asn,
            self.root,
            self.rpi_type,
            missing,
        )
        if self.applications:
            frame = self.applications.reread(frame)
        if self.layouts and frame.datagram is not None:
            packet = frame.packet
            spans = with_layouts(packet, self.layouts)
            if (
                spans is not packet.spans
            ):  # a port may be that of another protocol, which its layout then is not
                read = tuple(one for one in frame.notices if one.name != UNREADABLE)
                frame = replace(frame, spans=spans, notices=read)
        return frame

    def lowpan(
        self, octets: bytes, source: bytes | None = None, destination: bytes | None = None
    ) -> Frame:
        """Return a 6LoWPAN payload decoded that came between two addresses of another link (as RFC 7973 has it)."""
        frame = decode_lowpan(as_octets(octets), self.env(source, destination))
        return self.applications.reread(frame)

    def datagram(self, octets: bytes) -> Frame:
        """Return an IPv6 datagram that came without a link, as ``decode_datagram`` does."""
        return self.applications.reread(decode_datagram(octets))

    def env(self, source: bytes | None = None, destination: bytes | None = None) -> Env:
        """Return the surroundings of a payload between two link addresses."""
        return Env(source, destination, None, self.contexts, self.root, self.rpi_type)


def decode_frame(
    octets: bytes,
    fcs: bool | int = True,
    *,
    contexts: Mapping[int, Any] | None = None,
    keys: Iterable[object] | object = (),
    devices: Mapping[Any, Any] | None = None,
    asn: int | None = None,
    root: object = None,
    rpi_type: int = rpi.OLD,
) -> Frame:
    """Return the frame that these octets are; never raises on any octets: a fault is kept in the frame.

    The arguments are those of ``Decoder`` and its ``frame``. Sources: IEEE 802.15.4-2006 clause 7, IEEE 802.15.4-2015
    clauses 7 and 9 (from memory), RFC 4944 section 5, RFC 6282; each span and fault names its own. Raises
    ``RequestError`` for arguments that cannot be used.
    """
    keys = keys_of(keys)  # before anything is told of what is wrong with the others
    octets, fcs = as_octets(octets), _length(fcs)
    return Decoder(contexts, keys, devices, root, rpi_type).frame(octets, fcs, asn)


def _length(fcs: object) -> int:
    """Return the octets of the FCS."""
    if fcs is True:
        return 2
    octets = 0 if fcs is False else as_whole(fcs)
    if octets is None or octets not in LENGTHS:
        raise RequestError(f"fcs {repeated(fcs)} is not True, False, 2 or 4", cite=FCS_CITE)
    return octets


def decode_datagram(octets: bytes) -> Frame:
    """Return an IPv6 datagram that came without a link as a frame without MAC header; a fault is kept in the frame.

    Sources: RFC 8200 sections 3 and 4; each span and fault names its own. Never raises on any octets; raises
    ``RequestError`` for what are none.
    """
    octets = octets if type(octets) is bytes else as_octets(octets)
    frame = FrameInMaking(octets, heads=[], notices=[])
    reader = Reader(octets)
    try:
        read_datagram(reader, Env(), frame, 0)
    except WireError as error:
        frame.fault = error.bare()
    else:
        frame.datagram = Datagram(octets)
    frame.note_unused(reader)
    if reader.left:
        reader.layer = "payload"
        reader.rest("payload", "not read", nature=Nature.PAYLOAD)
    frame.spans = tuple(reader.spans)
    return whole(frame)
