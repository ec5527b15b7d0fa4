"""Frames of an invented cold store, built with the project's own encoder, and an audit over them.

Checksums and addresses are put together here, with the formulas of the standards, where a test wants them wrong.
"""

import struct
from collections.abc import Iterable
from dataclasses import replace
from ipaddress import IPv6Address
from typing import Any

from lowpanbudget import Env, compress, decode_frame, encode_frame, split
from lowpanbudget.design.load import parse_design
from lowpanbudget.design.meaning import Design
from lowpanbudget.env import Contexts
from lowpanbudget.findings.audit import Audit
from lowpanbudget.findings.finding import Finding
from lowpanbudget.findings.scene import Known
from lowpanbudget.layers.link.mac import Mac

PAN = 0xABCD
NODE, ROOT = b"\x00\x17", b"\x00\x01"
FAR_NODE, FAR_ROOT = bytes.fromhex("025e100000000017"), bytes.fromhex("025e100000000001")
CONTEXTS = {0: "2001:db8:1::/64", 1: "2001:db8:2::/64"}
PREFIX = "2001:db8:1::"
PORTS = (0xF0B1, 0xF0B2)


def iid(link: bytes) -> int:
    """RFC 6282 section 3.2.2: 0000:00ff:fe00:XXXX, or the EUI-64 with its universal/local bit inverted."""
    if len(link) == 2:
        return 0x00FF_FE00_0000 | int.from_bytes(link, "big")
    return int.from_bytes(link, "big") ^ 1 << 57


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


def mac(sequence: int = 1, links: tuple[bytes, bytes] = (NODE, ROOT), **changes: Any) -> Mac:
    """A version-1 data header inside one PAN, the source PAN ID left out."""
    plain = Mac(
        sequence=sequence, destination_pan=PAN, destination=links[1], source=links[0],
        pan_id_compression=True, ack_request=links[1] != b"\xff\xff",
    )  # fmt: skip
    return replace(plain, **changes)


def payload(packet: bytes, links: tuple[bytes, bytes] = (NODE, ROOT), **options: Any) -> bytes:
    return compress(packet, Env(*links, contexts=CONTEXTS), **options).octets


def frame(
    packet: bytes, sequence: int = 1, links: tuple[bytes, bytes] = (NODE, ROOT), **changes: Any
) -> bytes:
    return encode_frame(mac(sequence, links, **changes), payload(packet, links)).octets


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
    return [
        encode_frame(mac(start + index, links), part).octets for index, part in enumerate(parts)
    ]


def audit(
    air: Iterable[bytes | tuple[float, bytes]],
    *,
    contexts: dict[int, str] | None = None,
    design: Design | None = None,
    fcs: int = 2,
    **decode: Any,
) -> list[Finding]:
    """The findings over frames, one second apart unless a time stands beside them."""
    table = Contexts(CONTEXTS if contexts is None else contexts)
    known = Known(
        table, design, **{k: decode.pop(k) for k in ("devices_known", "largest") if k in decode}
    )
    audit_ = Audit(known)
    for number, item in enumerate(air, 1):
        time_s, octets = item if isinstance(item, tuple) else (float(number), item)
        audit_.feed(
            number, time_s, decode_frame(octets, fcs=fcs, contexts=table, **decode), fcs=fcs
        )
    return audit_.close()


def names(findings: list[Finding]) -> list[str]:
    return [finding.name for finding in findings]


def heavy(findings: list[Finding]) -> list[str]:
    return [finding.name for finding in findings if finding.has_weight]


def design(text: str) -> Design:
    return parse_design(text, "store.toml")
