"""``compress`` and ``decompress``: one 6LoWPAN payload and the IPv6 datagram that it stands for."""

from typing import Any

from lowpanbudget.arguments import with_flags
from lowpanbudget.bits import Nature, Reader, Span, Writer
from lowpanbudget.env import Env
from lowpanbudget.errors import Malformed, WireError
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.link.mac import FrameType
from lowpanbudget.layers.lowpan import fragment, recovery
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.ghc_headers import code_size
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.layers.lowpan.lorh import IpInIp, Rpi, SrhLorh
from lowpanbudget.layers.lowpan.mesh import Mesh
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.stack.decoder import decode_frame
from lowpanbudget.stack.incoming import Lowpan, Notice
from lowpanbudget.stack.lowpan import read_lowpan
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.packets import packet_of
from lowpanbudget.stack.packing import Options, pack_headers
from lowpanbudget.stack.split import octets_of
from lowpanbudget.stack.upper import explain_rest
from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class Compressed:
    """``octets`` of the 6LoWPAN payload and its ``spans``; its ``header_octets`` stand for ``covers`` octets of IPv6.

    Where byte code (RFC 7400) stands for what the headers carry, ``byte_code`` octets of it stand for ``expanded``.
    """

    octets: bytes
    spans: tuple[Span, ...]
    header_octets: int
    covers: int
    byte_code: int = 0
    expanded: int = 0


@dataclass(frozen=True, slots=True)
class Decompressed:
    """``octets`` of the IPv6 datagram; ``layers``, ``spans`` and ``notices`` of the payload it came from."""

    octets: bytes
    layers: tuple[object, ...]
    spans: tuple[Span, ...]
    notices: tuple[Notice, ...]

    def packet(self) -> Any:
        """Return the datagram as a scapy packet, to go on with."""
        return packet_of(self.octets)


@with_flags
def compress(
    packet: object,
    env: Env | None = None,
    *,
    elide_udp_checksum: bool = False,
    ghc: bool = False,
    lorh: bool = False,
) -> Compressed:
    """Return the shortest legal 6LoWPAN form of an IPv6 datagram (RFC 6282), with the spans that explain it.

    ``packet`` is octets or a scapy packet. ``elide_udp_checksum`` is the upper layer's permission of RFC 6282 section
    4.3.2: it wants another integrity check over the same octets. ``ghc`` allows RFC 7400, ``lorh`` RFC 8138: a source
    route then comes back with complete addresses and without those already visited. Raises ``RequestError`` when the
    length of an IPv6 header disagrees or a checksum to be elided is wrong, and ``NoDatagram`` (a ``Malformed``
    as well) when the octets are no IPv6 datagram.
    """
    env = Env.of(env)
    datagram = octets_of(packet)
    sent = Outgoing.read(datagram)
    packed = pack_headers(sent, env, Options(elide_udp_checksum, ghc, lorh))
    rest = Writer()
    rest.data += datagram[packed.covers :]
    rest.spans += explain_rest(datagram, packed.covers)
    writer = packed.written()
    code, expanded = code_size(writer.spans, Nature.PAYLOAD)
    writer.append(rest)
    return Compressed(
        bytes(writer.data),
        tuple(writer.spans),
        packed.octets - code,
        packed.covers - expanded,
        code,
        expanded,
    )


def decompress(octets: bytes, env: Env | None = None) -> Decompressed:
    """Return the IPv6 datagram of a 6LoWPAN payload that starts with its dispatch octet (RFC 4944 section 5, RFC 6282).

    ``env`` holds the link addresses and contexts that elided fields come from. Raises ``WireError`` when the octets
    cannot be read, are a fragment or hold no datagram, ``RequestError`` for an argument that is no octet string.
    """
    env, octets = Env.of(env), octets_of(octets)
    try:
        return _decompressed(octets, env)
    except WireError as error:
        error.hint = _as_frame(octets) or error.hint
        raise


def _as_frame(octets: bytes) -> str:
    """Return what to try where octets are a whole frame of IEEE 802.15.4 around 6LoWPAN; nothing where they are not."""
    frame = decode_frame(octets, fcs=False)
    mac, lowpan = frame.mac, _ADAPTATION & {type(layer) for layer in frame.layers}
    if mac is None or mac.frame_type != FrameType.DATA or mac.destination is None or not lowpan:
        return ""
    at = mac.header_length
    return (
        f"These octets are like a whole IEEE 802.15.4 frame, whose payload begins with {octets[at : at + 2].hex()} at "
        f"octet {at}: decompress takes what is there, up to the check sequence; decode_frame, or annotate on the "
        "command line, reads the frame"
    )


_ADAPTATION = {Ipv6, Iphc, Mesh, Fragment, Rfrag, Legacy, Rpi, IpInIp, SrhLorh}


def _decompressed(octets: bytes, env: Env) -> Decompressed:
    reader = Reader(octets)
    lowpan = Lowpan(source=env.source, destination=env.destination)
    read_lowpan(reader, env, lowpan)
    if lowpan.datagram is None:
        if lowpan.fragment is not None:
            raise Malformed(
                "the payload is a fragment",
                layer=reader.layer,
                cite=recovery.CITE
                if isinstance(lowpan.fragment, recovery.Rfrag)
                else fragment.CITE,
                hint="Put its fragments together first: expand does so with a capture, a Reassembler with frames",
            )
        other = next((notice for notice in lowpan.notices if notice.name == "not-lowpan"), None)
        if other is not None:
            raise Malformed(other.text, layer=reader.layer, cite=other.cite)
        ack = lowpan.heads[-1]  # the one header that nothing follows
        raise Malformed(
            "an acknowledgement of fragments holds no IPv6 datagram",
            offset=ack.start,
            layer=reader.layer,
            cite=recovery.ACKNOWLEDGEMENT,
            hint="A frame with one is read by decode_frame, and a Reassembler takes it with the fragments it is for",
        )
    lowpan.note_unused(reader)
    return Decompressed(
        lowpan.datagram.octets,
        tuple(head.value for head in lowpan.heads),
        tuple(reader.spans),
        tuple(lowpan.notices),
    )
