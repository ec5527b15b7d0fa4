"""Frames of an invented cold store, built with the project's own encoder, and an audit over them.

Checksums and addresses are put together here, with the formulas of the standards, where a test wants them wrong.
"""

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import cache
from ipaddress import IPv6Address, IPv6Network
from typing import Any
from unittest.mock import patch

from cryptography.hazmat.primitives.ciphers.aead import AESCCM

from lowpanbudget import DtlsSender, Env, SecurityContext, compress, encode_frame, split
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.memo import Memo
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.design.load import parse_design
from lowpanbudget.design.meaning import Design
from lowpanbudget.env import Contexts
from lowpanbudget.findings.audit import Audit
from lowpanbudget.findings.finding import Finding
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.fcs import fcs
from lowpanbudget.layers.link.mac import Mac

PAN = 0xABCD
NODE, ROOT = b"\x00\x17", b"\x00\x01"
FAR_NODE, FAR_ROOT = bytes.fromhex("025e100000000017"), bytes.fromhex("025e100000000001")
CONTEXTS = {0: "2001:db8:1::/64", 1: "2001:db8:2::/64"}
PREFIX = "2001:db8:1::"
PORTS = (0xF0B1, 0xF0B2)
KEY = bytes(range(16))  # an invented key
BROADCAST = b"\xff\xff"
ALL_NODES = IPv6Address("ff02::1")


def iid(link: bytes) -> int:
    """RFC 6282 section 3.2.2: 0000:00ff:fe00:XXXX, or the EUI-64 with its universal/local bit inverted."""
    if len(link) == 2:
        return 0x00FF_FE00_0000 | int.from_bytes(link, "big")
    return int.from_bytes(link, "big") ^ 1 << 57


@cache
def address(prefix: str, link: bytes) -> IPv6Address:
    return IPv6Address(int(IPv6Address(prefix)) | iid(link))


def internet_checksum(octets: bytes) -> int:
    """RFC 1071, word by word."""
    if len(octets) % 2:
        octets += b"\0"
    total: int = sum(struct.unpack(f">{len(octets) // 2}H", octets))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF


def pseudo(source: IPv6Address, destination: IPv6Address, length: int, kind: int) -> bytes:
    """RFC 8200 section 8.1."""
    return source.packed + destination.packed + struct.pack(">II", length, kind)


def udp(
    data: bytes,
    source: IPv6Address,
    destination: IPv6Address,
    ports: tuple[int, int] = PORTS,
    checksum: int | None = None,
) -> bytes:
    """A UDP segment; its checksum is right for these addresses unless another is given."""
    head = struct.pack(">HHH", *ports, 8 + len(data))
    if checksum is None:
        over = pseudo(source, destination, 8 + len(data), 17) + head + b"\0\0" + data
        checksum = internet_checksum(over) or 0xFFFF
    return head + struct.pack(">H", checksum) + data


def icmpv6(
    kind: int, body: bytes, source: IPv6Address, destination: IPv6Address, code: int = 0
) -> bytes:
    blank = bytes([kind, code, 0, 0]) + body
    over = pseudo(source, destination, len(blank), 58) + blank
    return blank[:2] + struct.pack(">H", internet_checksum(over)) + body


def ip(
    source: IPv6Address, destination: IPv6Address, kind: int, body: bytes, hop_limit: int = 64
) -> bytes:
    head = struct.pack(">IHBB", 6 << 28, len(body), kind, hop_limit)
    return head + source.packed + destination.packed + body


def datagram(
    data: bytes = b"reading",
    prefix: str = PREFIX,
    links: tuple[bytes, bytes] = (NODE, ROOT),
    hop_limit: int = 64,
    ports: tuple[int, int] = PORTS,
) -> bytes:
    """A UDP datagram from a node to the root whose addresses follow from the link addresses."""
    source, destination = (address(prefix, link) for link in links)
    return ip(source, destination, 17, udp(data, source, destination, ports), hop_limit)


def mac(sequence: int | None = 1, links: tuple[bytes, bytes] = (NODE, ROOT), **changes: Any) -> Mac:
    """A version-1 data header inside one PAN, the source PAN ID left out."""
    plain = Mac(
        sequence=sequence, destination_pan=PAN, destination=links[1], source=links[0],
        pan_id_compression=True, ack_request=links[1] != b"\xff\xff",
    )  # fmt: skip
    return replace(plain, **changes) if changes else plain


@cache
def payload(packet: bytes, links: tuple[bytes, bytes] = (NODE, ROOT), **options: Any) -> bytes:
    return compress(packet, Env(*links, contexts=CONTEXTS), **options).octets


@cache
def encoded(header: Mac, octets: bytes) -> bytes:
    return encode_frame(header, octets).octets


def frame(
    packet: bytes, sequence: int = 1, links: tuple[bytes, bytes] = (NODE, ROOT), **changes: Any
) -> bytes:
    return encoded(mac(sequence, links, **changes), payload(packet, links))


def frames(
    packets: Iterable[bytes], links: tuple[bytes, bytes] = (NODE, ROOT), start: int = 1
) -> list[bytes]:
    return [frame(packet, (start + index) & 0xFF, links) for index, packet in enumerate(packets)]


def pieces(
    packet: bytes,
    links: tuple[bytes, bytes] = (NODE, ROOT),
    *,
    tag: int = 7,
    room: int = 102,
    start: int = 1,
) -> list[bytes]:
    """The frames of a datagram cut to ``room``."""
    parts = split(packet, Env(*links, contexts=CONTEXTS), room=room, tag=tag)
    return [encoded(mac(start + index, links), part) for index, part in enumerate(parts)]


Air = Iterable[bytes | tuple[float, bytes]]


@dataclass(frozen=True)
class Capture:
    """Frames, one second apart unless a time stands beside them, and what is known beside them."""

    air: list[bytes | tuple[float, bytes]]
    contexts: dict[int, str] = field(default_factory=lambda: dict(CONTEXTS))
    design: Design | None = None
    fcs: int = 2
    keys: tuple[object, ...] = ()
    devices: dict[int, bytes] = field(default_factory=dict)
    known_devices: tuple[bytes, ...] = ()
    oscore: tuple[SecurityContext, ...] = ()
    dtls: tuple[DtlsSender, ...] = ()
    root: IPv6Address | None = None
    slot: int | None = None  # the absolute slot number that the file gives of each frame
    slots: tuple[int, ...] = ()  # those of the frames in turn
    channels: tuple[int, ...] = ()  # beside slots: the channels of the frames in turn

    def timed(self) -> Iterator[tuple[float, bytes]]:
        for number, item in enumerate(self.air, 1):
            yield item if isinstance(item, tuple) else (float(number), item)

    def known(self) -> Surroundings:
        largest = 127 if self.design is None else self.design.link.largest
        mtu = 1280 if self.design is None else self.design.link.mtu
        return Surroundings(
            Contexts(self.contexts), self.design, frozenset(self.known_devices), largest, mtu
        )

    def fed(self) -> list[Finding]:
        """The findings when every frame is decoded in full."""
        with patch.object(Memo, "get", lambda *_: None):
            return self.followed()

    def followed(self) -> list[Finding]:
        """The findings when a trace reads frames that are alike only once."""
        trace = Trace(
            contexts=self.contexts,
            keys=self.keys,
            devices=self.devices,
            design=self.design,
            fcs=self.fcs,
            oscore=self.oscore,
            dtls=self.dtls,
            root=self.root,
        )
        audit = Audit(self.known())
        for sighting in trace.follow(self.records()):
            audit.follow(sighting)
        return audit.close()

    def records(self) -> Iterator[Record]:
        for number, (time_s, frame_octets) in enumerate(self.timed(), 1):
            link_type, head = 195 if self.fcs else 230, b""
            slot = self.slots[number - 1] if self.slots else self.slot
            if slot is not None:
                # link type 283 (from memory): version, length, elements: a check sequence of 2 octets, the slot number
                elements = struct.pack("<HHBxxxHHQ", 0, 1, 1, 7, 8, slot)
                if self.channels:  # and the channel with its page
                    elements += struct.pack("<HHHBx", 3, 3, self.channels[number - 1], 0)
                link_type, head = 283, struct.pack("<BBH", 0, 0, 4 + len(elements)) + elements
            octets = head + frame_octets
            yield Record(number, round(time_s * 1e9), link_type, octets, len(octets))


def names(findings: list[Finding]) -> list[str]:
    return [finding.name for finding in findings]


def heavy(findings: list[Finding]) -> list[str]:
    return [finding.name for finding in findings if finding.has_weight]


def design(text: str) -> Design:
    return parse_design(text, "store.toml")


def raw(
    payload_octets: bytes,
    sequence: int | None = 1,
    links: tuple[bytes, bytes] = (NODE, ROOT),
    **changes: Any,
) -> bytes:
    """A frame around octets that nothing compressed."""
    return encoded(mac(sequence, links, **changes), payload_octets)


def mended(octets: bytes) -> bytes:
    """The frame with the check sequence that its octets want."""
    return octets[:-2] + fcs(octets[:-2], 2)


def secured(
    data: bytes,
    sequence: int,
    counter: int,
    level: int = 5,
    links: tuple[bytes, bytes] = (FAR_NODE, FAR_ROOT),
    packed: bytes | None = None,
    key_index: int = 1,
) -> bytes:
    """A frame under an invented key, from an extended address unless told otherwise; ``packed``: its payload."""
    header = mac(sequence, links, security=Security(level, 1, counter, key_index=key_index))
    packed = payload(datagram(data, links=links), links) if packed is None else packed
    if counter == 0xFFFFFFFF and level == 5:
        return sealed_at_the_end(header, packed)
    return encode_frame(header, packed, key=KEY, devices={0x17: FAR_NODE}).octets


def sealed_at_the_end(header: Mac, packed: bytes) -> bytes:
    """A frame of an extended address that no sender may make, its counter 0xffffffff; so the cipher itself seals it."""
    clear = encode_frame(replace(header, security=None), b"", fcs=0).octets
    auxiliary = b"\x0d\xff\xff\xff\xff\x01"  # level 5, key id mode 1; counter; key index
    head = (
        bytes([clear[0] | 0x08, clear[1] & 0xCF | 0x10]) + clear[2:] + auxiliary
    )  # secured, version 1
    nonce = (
        FAR_NODE + b"\xff\xff\xff\xff\x05"
    )  # IEEE 802.15.4-2006 7.6.3.2, from memory: sender, counter, level
    octets = head + AESCCM(KEY, 4).encrypt(nonce, packed, head)
    return octets + fcs(octets)


def rpl_option(kind: int = 0x63, next_header: int = 17) -> bytes:
    """A hop-by-hop header with the RPL option (RFC 6553 section 3): no flags, instance 0, rank 512."""
    return bytes([next_header, 0, kind, 4, 0, 0, 2, 0])


def with_option(
    data: bytes, prefix: str = PREFIX, kind: int = 0x63, to: IPv6Address | None = None
) -> bytes:
    source, destination = address(prefix, NODE), to or address(prefix, ROOT)
    return ip(source, destination, 0, rpl_option(kind) + udp(data, source, destination))


def nd_message(
    kind: int, body: bytes, source: IPv6Address, destination: IPv6Address, hop_limit: int = 255
) -> bytes:
    return ip(source, destination, 58, icmpv6(kind, body, source, destination), hop_limit)


def sllao(link: bytes) -> bytes:
    """The link-layer address of a source (RFC 4861 section 4.6.1), of 2 octets or 8 (RFC 4944 section 8)."""
    return bytes([1, len(link) // 8 + 1]) + link.ljust(6 if len(link) == 2 else 14, b"\0")


def advertisement(*options: bytes) -> bytes:
    """A router advertisement from the root to all nodes (RFC 4861 section 4.2)."""
    body = bytes([64, 0]) + struct.pack(">HII", 1800, 0, 0) + b"".join(options)
    return nd_message(134, body, address("fe80::", ROOT), ALL_NODES)


def context_option(number: int, prefix: str, *, compress: bool = True, minutes: int = 60) -> bytes:
    """RFC 6775 section 4.2, for a prefix of 64 bits or fewer."""
    network = IPv6Network(prefix)
    flags = compress << 4 | number
    return (
        bytes([34, 2, network.prefixlen, flags, 0, 0])
        + struct.pack(">H", minutes)
        + network.network_address.packed[:8]
    )


def coap_message(
    options: bytes = b"",
    data: bytes = b"",
    kind: int = 0,
    code: int = 2,
    mid: int = 1,
    token: bytes = b"",
) -> bytes:
    """RFC 7252 section 3; ``kind`` 0 is confirmable, 2 an acknowledgement."""
    head = bytes([1 << 6 | kind << 4 | len(token), code]) + struct.pack(">H", mid) + token
    return head + options + (b"\xff" + data if data else b"")


def coap(message: bytes, links: tuple[bytes, bytes] = (NODE, ROOT), *, back: bool = False) -> bytes:
    return datagram(message, links=links, ports=(5683, 0xF0B1) if back else (0xF0B1, 5683))
