"""6LoRH: the routing headers of page 1 (RFC 8138 sections 4 to 7).

    |1|0|0|  Size   |6LoRH Type 0..4| Hop1 | Hop2 | .. | HopN |     SRH-6LoRH, N = Size + 1
    |1|0|0|O|R|F|I|K| 6LoRH Type=5  |   Compressed fields     |     RPI-6LoRH
    |1|0|1| Length  | 6LoRH Type 6  | Hop Limit | Encaps. Address | IP-in-IP-6LoRH
    |1|0|1| Length  |      Type     |   skipped if not known  |     any other elective header

What they stand for in IPv6 is the matter of ``routing``.
"""

from functools import partial

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import Malformed, RequestError, Reserved, plural, repeated
from lowpanbudget.fields import (
    Bits,
    Choice,
    Header,
    OctetString,
    Patterns,
    Row,
    Sent,
    WordForm,
    bits,
    layout_of,
    part,
    stated_by,
    structure,
)
from lowpanbudget.shown import IP_ADDRESS
from lowpanbudget.values import dataclass, field, replace

CRITICAL = rfc(8138, "4.2")
ELECTIVE = rfc(8138, "4.1")
SOURCE_ROUTE = rfc(8138, "5.1")
RPL_INFORMATION = rfc(8138, "6.3")
TUNNEL = rfc(8138, "7")

MOST_HOPS = 32  # "the maximum that can be encoded is 32 hops"
ADDRESS_OCTETS = (1, 2, 4, 8, 16)  # RFC 8138 figure 7, by 6LoRH type
_RPI_TYPE, _TUNNEL_TYPE = 5, 6

CRITICAL_TYPES = Patterns(
    "critical 6LoRH types",
    rfc(8138, "10.2"),
    (
        ("000000xx", "srh", "source route", SOURCE_ROUTE),
        ("00000100", "srh", "source route", SOURCE_ROUTE),
        ("00000101", "rpi", "RPL packet information", RPL_INFORMATION),
    ),
)
ELECTIVE_TYPES = Patterns(
    "elective 6LoRH types",
    rfc(8138, "10.3"),
    (("00000110", "ip-in-ip", "IP-in-IP encapsulation", TUNNEL),),
)

_CRITICAL = Bits("dispatch", 3, "critical routing header", fixed=0b100, cite=CRITICAL)
_ELECTIVE = Bits("dispatch", 3, "elective routing header", fixed=0b101, cite=ELECTIVE)


def _hop_form(kind: int) -> str:
    octets = ADDRESS_OCTETS[kind]
    return (
        "whole addresses" if octets == 16 else f"the last {plural(octets, 'octet')} of each address"
    )


SRH = Header(
    "SRH-6LoRH",
    SOURCE_ROUTE,
    (
        _CRITICAL,
        Bits("size", 5, lambda size: "1 hop" if size == 0 else f"{size + 1} hops"),
        Bits("6LoRH type", 8, _hop_form),
    ),
)


def _instance_name(value: int) -> str:
    return f"local instance {value & 0x3F}" if value & 0x80 else f"global instance {value}"


INSTANCE = Choice(
    "i",
    "RPLInstanceID form (I)",
    1,
    (
        Row(
            0, 1, "any instance, in line", RPL_INFORMATION,
            lambda value, _env: bytes([value]), lambda octets, _env: octets[0],
            (Bits("RPLInstanceID", 8, _instance_name),),
        ),
        Row(
            1, 0, "the instance is the global instance 0", RPL_INFORMATION,
            lambda value, _env: None if value else b"", lambda _octets, _env: 0,
        ),
    ),
    "RPLInstanceID",
)  # fmt: skip


def _fit_rank(value: int, _env: object, *, octets: int) -> bytes | None:
    return None if octets == 1 and value & 0xFF else value.to_bytes(2, "big")[:octets]


def _restore_rank(octets: bytes, _env: object) -> int:
    return int.from_bytes(octets.ljust(2, b"\0"), "big")


RANK = Choice(
    "k",
    "SenderRank form (K)",
    1,
    tuple(
        Row(
            code, octets, needs, RPL_INFORMATION,
            partial(_fit_rank, octets=octets), _restore_rank,
            (Bits("SenderRank", 8 * octets, meaning),),
        )
        for code, octets, needs, meaning in (
            (0, 2, "any rank", "rank of the sender"),
            (1, 1, "the last 8 bits of the rank are zero", "rank of the sender, upper octet"),
        )
    ),
    "SenderRank",
)  # fmt: skip

RPI = Header(
    "RPI-6LoRH",
    RPL_INFORMATION,
    (
        _CRITICAL,
        Bits("O", 1, {0: "expected to go up", 1: "expected to go down"}),
        Bits("R", 1, {0: "no rank error", 1: "a rank error was detected"}),
        Bits("F", 1, {0: "no forwarding error", 1: "a child could not forward"}),
        INSTANCE,
        RANK,
        Bits("6LoRH type", 8, "RPL packet information", fixed=_RPI_TYPE),
    ),
)
_LENGTH = Bits("length", 5, lambda value: f"{plural(value, 'octet')} after the type")
IP_IN_IP = Header(
    "IP-in-IP-6LoRH",
    TUNNEL,
    (_ELECTIVE, _LENGTH, Bits("6LoRH type", 8, "IP-in-IP encapsulation", fixed=_TUNNEL_TYPE)),
)


@stated_by(SRH)
@dataclass(frozen=True, slots=True)
class SrhLorh:
    """An SRH-6LoRH: ``hops`` still to visit, each the last 1, 2, 4, 8 or 16 octets of its address."""

    hops: tuple[bytes, ...] = field(metadata=IP_ADDRESS)

    @property
    def kind(self) -> int:
        """Return the 6LoRH type, 0 to 4."""
        return ADDRESS_OCTETS.index(len(self.hops[0]))


@stated_by(RPI)
@dataclass(frozen=True, slots=True)
class Rpi:
    """RPL packet information: the O, R and F flags, instance and rank; ``sent``: the octets read, and itself."""

    instance: int = 0
    sender_rank: int = 0
    down: bool = False
    rank_error: bool = False
    forwarding_error: bool = False
    sent: Sent | None = field(default=None, repr=False, compare=False)


@stated_by(IP_IN_IP)
@dataclass(frozen=True, slots=True)
class IpInIp:
    """An outer IPv6 header: its ``hop_limit`` and the last octets of its source (none: the root's address)."""

    hop_limit: int
    encapsulator: bytes = field(default=b"", metadata=IP_ADDRESS)


@structure("elective 6LoRH", ELECTIVE, kw_only=False)
class Skipped:
    """An elective header of a type that is not known; "may be ignored and skipped in parsing"."""

    dispatch = bits(3, _ELECTIVE.meaning, fixed=_ELECTIVE.fixed)
    length = bits(5, _LENGTH.meaning)
    kind: int = bits(8, "not known: skipped", name="6LoRH type")
    octets: bytes = part(OctetString, "skipped", count="length", name="content")


SKIPPED = layout_of(Skipped).word
RoutingHeader = SrhLorh | Rpi | IpInIp | Skipped


def decode(reader: Reader) -> RoutingHeader:
    """Return the routing header that comes next.

    Raises ``Truncated``; ``Reserved`` for a critical type that is not known, "A node that does not support the 6LoRHC
    Type MUST silently discard the packet"; ``Malformed`` for an impossible length.
    """
    start = reader.pos
    reader.layer = "6LoRH"
    reader.need(2, "a routing header", CRITICAL)
    head = SRH.values_at(reader.data, start)
    critical, number = head[_CRITICAL.name] == _CRITICAL.fixed, head["6LoRH type"]
    kind = (CRITICAL_TYPES if critical else ELECTIVE_TYPES)[number]
    if kind.key == "srh":
        return _decode_route(reader)
    if kind.key == "rpi":
        return _decode_rpi(reader)
    if kind.key == "ip-in-ip":
        return _decode_tunnel(reader)
    if critical:
        raise reader.fault(
            Reserved,
            f"critical routing header type {number} is not known: the packet must be dropped",
            CRITICAL,
            at=start,
        )
    return layout_of(Skipped).read(reader)


def _decode_route(reader: Reader) -> SrhLorh:
    values, _ = SRH.read(reader)
    octets = ADDRESS_OCTETS[values["6LoRH type"]]
    hops = tuple(
        reader.octets(octets, f"hop {number}", *_HOP[number > 1])
        for number in range(1, values["size"] + 2)
    )
    return SrhLorh(hops)


_HOP = (
    ("the node that gets this packet next", SOURCE_ROUTE, "it goes once it was visited"),
    ("octets that differ from the hop before", SOURCE_ROUTE, "it goes once it was visited"),
)


def _decode_rpi(reader: Reader) -> Rpi:
    start = reader.pos
    values, rows = RPI.read(reader)
    instance = INSTANCE.read(reader, rows["i"])
    rank, flags = RANK.read(reader, rows["k"]), [bool(values[flag]) for flag in "ORF"]
    read = Rpi(instance, rank, flags[0], flags[1], flags[2])
    return replace(read, sent=Sent(reader.passed(start), read))


def _decode_tunnel(reader: Reader) -> IpInIp:
    start = reader.pos
    values, _ = IP_IN_IP.read(reader)
    length = values["length"]
    if not 1 <= length <= 17:
        raise reader.fault(
            Malformed,
            f"an IP-in-IP-6LoRH of length {length}: 1 for the hop limit and up to 16 for an "
            "address are possible",
            TUNNEL,
            at=start,
        )
    hop_limit = reader.peek("the hop limit", TUNNEL)
    reader.octets(1, "hop limit", "of the outer header", TUNNEL, value=hop_limit)
    return IpInIp(hop_limit, reader.octets(length - 1, "encapsulator", *_ENCAPSULATOR))


_ENCAPSULATOR = (
    "octets in which the encapsulator's address differs from the root's",
    TUNNEL,
    "0 octets if the root encapsulates",
)


def encode(writer: Writer, header: RoutingHeader) -> None:
    """Append a routing header in its shortest form; raises ``RequestError`` for values that it cannot hold."""
    if isinstance(header, SrhLorh):
        _encode_route(writer, header)
    elif isinstance(header, Rpi):
        _encode_rpi(writer, header)
    elif isinstance(header, IpInIp):
        if len(header.encapsulator) > 16:
            raise RequestError(
                f"IpInIp.encapsulator has {len(header.encapsulator)} octets, and an address 16",
                cite=TUNNEL,
                hint="Give the last octets of it, those in which it differs from the root's",
            )
        _within(header.hop_limit, 0xFF, "IpInIp.hop_limit", TUNNEL)
        IP_IN_IP.write(writer, {"length": 1 + len(header.encapsulator)})
        writer.number(1, header.hop_limit, "hop limit", "of the outer header", TUNNEL)
        writer.octets(header.encapsulator, "encapsulator", *_ENCAPSULATOR)
    else:
        layout_of(Skipped).write(writer, header)


def _within(value: int, most: int, name: str, cite: Cite) -> None:
    if not 0 <= value <= most:
        bits = most.bit_length()
        raise RequestError(
            f"{name} {repeated(value)} does not fit {bits} bits",
            cite=cite,
            hint=f"Give 0 to {most}",
        )


def _encode_route(writer: Writer, route: SrhLorh) -> None:
    sizes = {len(hop) for hop in route.hops}
    if len(sizes) != 1 or not sizes <= set(ADDRESS_OCTETS) or len(route.hops) > MOST_HOPS:
        of = f" of {' and '.join(map(str, sorted(sizes)))} octets each" if sizes else ""
        raise RequestError(
            f"SrhLorh.hops are {len(route.hops)}{of}: an SRH-6LoRH holds 1 to {MOST_HOPS}, all of 1, 2, 4, 8 or 16",
            cite=SOURCE_ROUTE,
            hint="Several of them after each other hold more, or hops of another length",
        )
    values = {"size": len(route.hops) - 1, "6LoRH type": route.kind}
    SRH.write(writer, values)
    for number, hop in enumerate(route.hops, 1):
        writer.octets(hop, f"hop {number}", *_HOP[number > 1])


def _encode_rpi(writer: Writer, rpi: Rpi) -> None:
    _within(rpi.instance, 0xFF, "Rpi.instance", RPL_INFORMATION)
    _within(rpi.sender_rank, 0xFFFF, "Rpi.sender_rank", RPL_INFORMATION)
    flags = {"O": rpi.down, "R": rpi.rank_error, "F": rpi.forwarding_error}
    instance = INSTANCE, INSTANCE.best(rpi.instance), rpi.instance
    rank = RANK, RANK.best(rpi.sender_rank), rpi.sender_rank
    WordForm(RPI, (instance, rank), flags).write(writer)
