"""Options of RPL control messages (RFC 6550 section 6.7, RFC 9008 section 4.1.3).

|  Option Type  | Option Length | Option Data       Length: in octets, type and length not included
"""

from dataclasses import dataclass
from ipaddress import IPv6Address, IPv6Network
from typing import Any

from lowpanbudget.cites import rfc
from lowpanbudget.fields import Bits
from lowpanbudget.layers.internet.nd_options import (
    PrefixInformation,
    prefix_address,
    prefix_fields,
)
from lowpanbudget.layers.internet.parts import Address, Prefix, Zeros
from lowpanbudget.layers.internet.records import (
    Family,
    Options,
    Pad1,
    PadN,
    Record,
    length_bits,
)
from lowpanbudget.layers.internet.rpl_metrics import METRICS

CITE = rfc(6550, "6.7.1")
UNSPECIFIED = IPv6Address(0)
FOREVER_S = 0xFFFF_FFFF
FOREVER_UNITS = 0xFF  # Path Lifetime and Default Lifetime have one octet

# RFC 4191 section 2.1, from memory: a signed number of two bits
PREFERENCES = {0: "medium", 1: "high", 2: "reserved: the option must be ignored", 3: "low"}


@dataclass(frozen=True, slots=True)
class MetricContainer:
    """Routing metrics and constraints (RFC 6551)."""

    metrics: tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class RouteInformation:
    """A prefix that the root reaches; ``route_lifetime`` in seconds, all ones for ever."""

    prefix: IPv6Network
    route_lifetime: int
    preference: int = 0

    @property
    def prefix_length(self) -> int:
        """Return how many bits of the prefix are valid."""
        return self.prefix.prefixlen


@dataclass(frozen=True, slots=True)
class DodagConfiguration:
    """How the DODAG runs.

    Lifetimes count ``lifetime_unit`` seconds each; ``rpi_0x23`` says that the RPL option has type 0x23 (RFC 9008).
    """

    dio_interval_doublings: int
    dio_interval_min: int
    dio_redundancy_constant: int
    max_rank_increase: int
    min_hop_rank_increase: int
    objective_code_point: int
    default_lifetime: int
    lifetime_unit: int
    path_control_size: int = 0
    authentication: bool = False
    rpi_0x23: bool = False


@dataclass(frozen=True, slots=True)
class Target:
    """An address, prefix or group that is reachable."""

    prefix: IPv6Network

    @property
    def prefix_length(self) -> int:
        """Return how many bits of the prefix are valid."""
        return self.prefix.prefixlen


@dataclass(frozen=True, slots=True)
class TransitInformation:
    """A path to the targets before it; ``path_lifetime`` in lifetime units, 0 for "no path", 255 for ever.

    ``parent`` is there in non-storing mode.
    """

    path_control: int
    path_sequence: int
    path_lifetime: int
    parent: IPv6Address | None = None
    external: bool = False


@dataclass(frozen=True, slots=True)
class SolicitedInformation:
    """Which DODAGs a DIS asks for: the fields count where their predicate flag (V, I, D) is set."""

    rpl_instance_id: int = 0
    dodag_id: IPv6Address = UNSPECIFIED
    version: int = 0
    match_version: bool = False
    match_instance: bool = False
    match_dodag: bool = False


@dataclass(frozen=True, slots=True)
class TargetDescriptor:
    """An opaque tag of 32 bits for the target before it."""

    descriptor: int


def _seconds(value: int) -> str:
    return "for ever" if value == FOREVER_S else f"{value} s"


def _units(value: int) -> str:
    return "for ever" if value == FOREVER_UNITS else f"{value} lifetime units"


def _path_lifetime(value: int) -> str:
    return _units(value) if value else "no path: the target is lost"


def head(number: int, name: str) -> tuple[Bits, Bits]:
    """Return the fields that every option but Pad1 starts with."""
    return Bits("type", 8, name, fixed=number), length_bits(1, counts_head=False)


# type: name, cite, value class, fields, parts, sizes in octets with type and length
OPTIONS = Family(
    "RPL option",
    CITE,
    {
        0: Record("Pad1 option", rfc(6550, "6.7.2"), Pad1, (Bits("type", 8, "Pad1", fixed=0),)),
        1: Record(
            "PadN option", rfc(6550, "6.7.3"), PadN, head(1, "PadN"), Zeros("octets", "padding", 2),
            sent=range(2, 8),  # "a total padding of 7 octets, which is the maximum"
        ),
        2: Record(
            "DAG metric container option", rfc(6550, "6.7.4"), MetricContainer,
            head(2, "DAG metric container"), Options(METRICS, "metrics"),
        ),
        3: Record(
            "route information option", rfc(6550, "6.7.5"), RouteInformation,
            (
                *head(3, "route information"), Bits("prefix length", 8), Bits("reserved 1", 3),
                Bits("preference", 2, PREFERENCES), Bits("reserved 2", 3),
                Bits("route lifetime", 32, _seconds),
            ),
            Prefix("prefix"), sizes=range(8, 25),
        ),
        4: Record(
            "DODAG configuration option", rfc(6550, "6.7.6"), DodagConfiguration,
            (
                *head(4, "DODAG configuration"), Bits("reserved 1", 3),
                Bits(
                    "rpi 0x23", 1, {0: "the RPL option has type 0x63", 1: "type 0x23"},
                    cite=rfc(9008, "4.1.3"),
                ),
                Bits("authentication", 1, "A: routers must authenticate"),
                Bits("path control size", 3, lambda value: f"PCS: {value + 1} active bits"),
                Bits("dio interval doublings", 8), Bits("dio interval min", 8),
                Bits("dio redundancy constant", 8), Bits("max rank increase", 16),
                Bits("min hop rank increase", 16), Bits("objective code point", 16, "OCP"),
                Bits("reserved 2", 8), Bits("default lifetime", 8, _units),
                Bits("lifetime unit", 16, "seconds"),
            ),
            sizes=(16,),
        ),
        5: Record(
            "RPL target option", rfc(6550, "6.7.7"), Target,
            (*head(5, "RPL target"), Bits("reserved", 8), Bits("prefix length", 8)),
            Prefix("prefix", "of the target"), sizes=range(4, 21),
        ),
        6: Record(
            "transit information option", rfc(6550, "6.7.8"), TransitInformation,
            (
                *head(6, "transit information"), Bits("external", 1, "E: targets outside RPL"),
                Bits("reserved", 7), Bits("path control", 8, "two bits a group of parents"),
                Bits("path sequence", 8), Bits("path lifetime", 8, _path_lifetime),
            ),
            Address("parent", "DODAG parent", optional=True), sizes=(6, 22),
        ),
        7: Record(
            "solicited information option", rfc(6550, "6.7.9"), SolicitedInformation,
            (
                *head(7, "solicited information"), Bits("rpl instance id", 8),
                Bits("match version", 1, "V"), Bits("match instance", 1, "I"),
                Bits("match dodag", 1, "D"), Bits("reserved", 5),
            ),
            Address("dodag id"), (Bits("version", 8),), sizes=(21,),
        ),
        8: Record(
            "prefix information option", rfc(6550, "6.7.10"), PrefixInformation,
            (*head(8, "prefix information"), *prefix_fields(5)), prefix_address(), sizes=(32,),
        ),
        9: Record(
            "RPL target descriptor option", rfc(6550, "6.7.11"), TargetDescriptor,
            (*head(9, "RPL target descriptor"), Bits("descriptor", 32, "opaque")), sizes=(6,),
        ),
    },
    single=0,
)  # fmt: skip
