"""Options of RPL control messages (RFC 6550 section 6.7, RFC 9008 section 4.1.3).

|  Option Type  | Option Length | Option Data       Length: in octets, type and length not included
"""

from ipaddress import IPv6Address, IPv6Network

from lowpanbudget.cites import rfc
from lowpanbudget.fields import (
    Address,
    Layout,
    OptionList,
    Prefix,
    Tagged,
    UnknownOption,
    Zeros,
    bits,
    layout_of,
    part,
    structure,
    unused,
)
from lowpanbudget.layers.internet.nd.options import PREFERENCES, PrefixInformation, seconds
from lowpanbudget.layers.internet.padding import Pad1, PadN
from lowpanbudget.layers.internet.rpl.metrics import METRICS, Metric

CITE = rfc(6550, "6.7.1")
HOP_RANK = 256  # DEFAULT_MIN_HOP_RANK_INCREASE (section 17), the rank of a root where none is stated (8.2.2.2)
UNSPECIFIED = IPv6Address(0)
FOREVER_UNITS = 0xFF  # Path Lifetime and Default Lifetime have one octet


def _units(value: int) -> str:
    return "for ever" if value == FOREVER_UNITS else f"{value} lifetime units"


def _path_lifetime(value: int) -> str:
    return _units(value) if value else "no path: the target is lost"


@structure("DAG metric container option", rfc(6550, "6.7.4"))
class MetricContainer:
    """Routing metrics and constraints (RFC 6551)."""

    metrics: tuple[Metric, ...] = part(OptionList, METRICS, metadata={"kind": "each tells its own"})


@structure("route information option", rfc(6550, "6.7.5"), sizes=range(8, 25))
class RouteInformation:
    """A prefix that the root reaches; ``route_lifetime`` in seconds, all ones for ever."""

    valid_bits = bits(8, name="prefix length")
    reserved_1: int = unused(3, default=0)
    preference: int = bits(2, PREFERENCES, default=0)
    reserved_2: int = unused(3, default=0)
    route_lifetime: int = bits(32, seconds)
    prefix: IPv6Network = part(Prefix, length="prefix_length")


@structure("DODAG configuration option", rfc(6550, "6.7.6"), sizes=(16,))
class DodagConfiguration:
    """How the DODAG runs.

    Lifetimes count ``lifetime_unit`` seconds each; ``rpi_0x23`` says that the RPL option has type 0x23 (RFC 9008).
    The Trickle timer of DIOs begins with 2**``dio_interval_min`` milliseconds, doubled ``dio_interval_doublings`` times
    at most; ``dio_redundancy_constant`` DIOs heard in one interval suppress the node's own (0: never; RFC 6550
    section 8.3.1). A hop adds ``min_hop_rank_increase`` or more to the rank, which in one version of the DODAG may grow
    by ``max_rank_increase`` (0 disables that). ``path_control_size`` is one less than the active bits of Path Control.
    """

    reserved_1: int = unused(3, default=0)
    rpi_0x23: bool = bits(
        1,
        {0: "the RPL option has type 0x63", 1: "type 0x23"},
        cite=rfc(9008, "4.1.3"),
        default=False,
    )
    authentication: bool = bits(1, "A: routers must authenticate", default=False)
    path_control_size: int = bits(3, lambda value: f"PCS: {value + 1} active bits", default=0)
    dio_interval_doublings: int = bits(8)
    dio_interval_min: int = bits(8)
    dio_redundancy_constant: int = bits(8)
    max_rank_increase: int = bits(16)
    min_hop_rank_increase: int = bits(16)
    objective_code_point: int = bits(16, "OCP")
    reserved_2: int = unused(8, default=0)
    default_lifetime: int = bits(8, _units)
    lifetime_unit: int = bits(16, "seconds")


@structure("RPL target option", rfc(6550, "6.7.7"), sizes=range(4, 21))
class Target:
    """An address, prefix or group that is reachable."""

    reserved: int = unused(8, default=0)
    valid_bits = bits(8, name="prefix length")
    prefix: IPv6Network = part(Prefix, "of the target", length="prefix_length")


@structure("transit information option", rfc(6550, "6.7.8"), sizes=(6, 22))
class TransitInformation:
    """A path to the targets before it; ``path_lifetime`` in lifetime units, 0 for "no path", 255 for ever.

    ``parent`` is there in non-storing mode.
    """

    external: bool = bits(1, "E: targets outside RPL", default=False)
    reserved: int = unused(7, default=0)
    path_control: int = bits(8, "two bits a group of parents")
    path_sequence: int = bits(8)
    path_lifetime: int = bits(8, _path_lifetime)
    parent: IPv6Address | None = part(Address, "DODAG parent", optional=True, default=None)


@structure("solicited information option", rfc(6550, "6.7.9"), sizes=(21,))
class SolicitedInformation:
    """Which DODAGs a DIS asks for: the fields count where their predicate flag (V, I, D) is set."""

    rpl_instance_id: int = bits(8, default=0)
    match_version: bool = bits(1, "V", default=False)
    match_instance: bool = bits(1, "I", default=False)
    match_dodag: bool = bits(1, "D", default=False)
    reserved: int = unused(5, default=0)
    dodag_id: IPv6Address = part(Address, default=UNSPECIFIED)
    version: int = bits(8, default=0)


@structure("RPL target descriptor option", rfc(6550, "6.7.11"), sizes=(6,))
class TargetDescriptor:
    """An opaque tag of 32 bits for the target before it."""

    descriptor: int = bits(32, "opaque")


OPTIONS = Tagged(
    "RPL option",
    CITE,
    {
        0: Layout("Pad1 option", rfc(6550, "6.7.2"), value=Pad1),
        # "a total padding of 7 octets, which is the maximum"
        1: Layout(
            "PadN option", rfc(6550, "6.7.3"), Zeros("octets", "padding", head=2), value=PadN,
            sent=range(2, 8),
        ),
        2: MetricContainer,
        3: RouteInformation,
        4: DodagConfiguration,
        5: Target,
        6: TransitInformation,
        7: SolicitedInformation,
        8: layout_of(PrefixInformation).variant(cite=rfc(6550, "6.7.10")),
        9: TargetDescriptor,
    },
    single=0,
    about="Options of RPL messages.",
)  # fmt: skip
AnyOption = (
    Pad1 | PadN | MetricContainer | RouteInformation | DodagConfiguration | Target | TransitInformation
    | SolicitedInformation | PrefixInformation | TargetDescriptor | UnknownOption
)  # fmt: skip
