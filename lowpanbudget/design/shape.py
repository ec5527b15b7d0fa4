"""How a design file is written: the shape of its tables, and so the JSON Schema for editors.

Only shape is judged here (keys, types, ranges, allowed words); what keys mean together is judged in ``meaning``.
"""

from decimal import Decimal
from ipaddress import IPv6Address, IPv6Network
from string import hexdigits
from typing import Any, Literal

from lowpanbudget.design.access import AccessShape
from lowpanbudget.design.answer_shape import AnswerShape
from lowpanbudget.design.application_shape import HEX, CoapShape, DtlsShape, OscoreShape
from lowpanbudget.design.goals import BurstShape, LimitsShape
from lowpanbudget.design.loss import LossShape
from lowpanbudget.design.messages import MessageShape
from lowpanbudget.design.radio import BatteryShape, RadioShape
from lowpanbudget.design.routing_shape import RoutingShape
from lowpanbudget.design.table import ShapeTable, Subtable, key
from lowpanbudget.design.takes import Every, Flag, FreeText, Listed, Parsed, Takes, Whole, Words
from lowpanbudget.design.tree import TreeShape
from lowpanbudget.design.upkeep_shape import UpkeepShape
from lowpanbudget.design.waiting import QueueShape, SleepShape
from lowpanbudget.layers.internet.ipv6 import MINIMUM_MTU
from lowpanbudget.layers.link.phy import (
    LEAST_PREAMBLE,
    MOST_PREAMBLE,
    PHYS,
    RATES,
    USUAL_PREAMBLE,
)
from lowpanbudget.layers.lowpan.fragment import LARGEST


def _octets(*lengths: int) -> Takes:
    def read(value: Any) -> Any:
        """Return the octets of a link address in hex, with or without colons."""
        if isinstance(value, int) and not isinstance(value, bool) and lengths == (2,):
            if 0 <= value <= 0xFFFF:
                return value.to_bytes(2, "big")
            raise ValueError("a short address is a number from 0x0000 to 0xffff")
        if isinstance(value, bytes):
            return value
        if not isinstance(value, str):
            raise ValueError("hex text is wanted")  # noqa: TRY004  # as all that is wrong with it
        digits = value.removeprefix("0x").replace(":", "").replace("-", "")
        if lengths == (2,) and value.startswith("0x"):
            digits = digits.zfill(4)  # a number, as it would be without quotes
        try:
            octets = bytes.fromhex(digits)
        except ValueError:
            if len(digits) % 2 and set(digits) <= set(hexdigits):
                said = f"{value!r} has {len(digits)} hex digits, and each octet takes two"
                raise ValueError(said) from None
            raise ValueError(f"{value!r} is no hex text") from None
        if len(octets) not in lengths:
            wanted = " or ".join(str(length) for length in lengths)
            raise ValueError(f"{wanted} octets are wanted; {value!r} has {len(octets)}")
        return octets

    example = "0x0017" if lengths == (2,) else f'"{":".join(["02", *["00"] * (lengths[0] - 1)])}"'
    return Parsed(read, example, *(("string", "integer") if lengths == (2,) else ()))


def _parsed(kind: type, length: int | None = None, example: str = "") -> Takes:
    def read(value: Any) -> Any:
        """Return an IPv6 address or prefix from its text."""
        if isinstance(value, kind):
            return value
        if not isinstance(value, str):
            raise ValueError("text is wanted")  # noqa: TRY004  # as all that is wrong with it
        try:
            parsed = kind(value)
        except ValueError as error:
            if "host bits" in str(error):
                meant = IPv6Network(value, strict=False)
                if length is not None:
                    meant = IPv6Network((value.partition("/")[0], length), strict=False)
                raise ValueError(f"bits beyond the length are set; did you mean {meant}?") from None
            raise ValueError(f"{value!r} is no IPv6 {_NAMES[kind]}") from None
        if "%" in value:
            raise ValueError(
                f"{value!r} names a zone, which one node alone knows and no packet carries; leave % and what "
                "follows out"
            )
        if kind is IPv6Network and "/" not in value:  # it would be taken for one whole address
            raise ValueError(
                f'{value!r} has no length; write "{value}/64", or "{value}/128" for one whole address'
            )
        return parsed

    return Parsed(read, f'"{example or _EXAMPLES[kind]}"')


_NAMES: dict[type, str] = {IPv6Address: "address", IPv6Network: "prefix"}
_EXAMPLES: dict[type, str] = {IPv6Address: "2001:db8::1", IPv6Network: "2001:db8::/64"}
SHORT = _octets(2)
EXTENDED = _octets(8)
ADDRESS = _parsed(IPv6Address)
GROUP = _parsed(IPv6Address, example="ff03::fc")
PREFIX = _parsed(IPv6Network)
OF_STATION = _parsed(IPv6Network, 64)
PORT = PAN = Whole(0, 0xFFFF)


class SecurityShape(ShapeTable):
    """Link security; leave the table out for an open network."""

    level: int = key(
        Whole(0, 7), "Security level: 0 none, 1-3 authenticate, 4 encrypts only, 5-7 do both."
    )
    key_id_mode: int = key(Whole(0, 3), "How the key is named in the frame.", default=1)
    key_source: bytes | None = key(
        _octets(4, 8),
        "Key source in hex: 4 octets for mode 2, 8 for mode 3; unless stated zeros stand in for it.",
        default=None,
    )
    frame_counter: Literal["carried", "suppressed"] = key(
        Words("carried", "suppressed"),
        "Whether the frame counter goes in line (version 2 may suppress it).",
        default="carried",
    )


class ElementShape(ShapeTable):
    """An information element of data frames, its content in hex; terminations are added."""

    id: int = key(Whole(0, 0xFF), "Element id of a header IE, group id of a payload IE.")
    octets: bytes = key(HEX, "Its content in hex.", default=b"")


class LinkShape(ShapeTable):
    """How every frame is built."""

    phy: str = key(
        Words(*PHYS), "The PHY; decides the largest frame and its FCS.", default="o-qpsk-2450"
    )
    data_rate: int | None = key(
        Words(*RATES),
        "Data rate in kb/s: those whose times are known here; left out, the PHY's slowest.",
        default=None,
    )
    preamble: int | None = key(
        Whole(LEAST_PREAMBLE, MOST_PREAMBLE),
        f"Octets of the preamble of sun-fsk; {USUAL_PREAMBLE} where it is left out.",
        default=None,
    )
    frame_version: int = key(Whole(0, 2), "0: 2003, 1: 2006, 2: 2015 and later.", default=1)
    addresses: Literal["short", "extended"] = key(
        Words("short", "extended"), "Link addresses of data frames.", default="short"
    )
    pan_id: int = key(PAN, "PAN ID of the nodes.")
    destination_pan_id: int | None = key(
        PAN, "PAN ID of the receivers, when it differs.", default=None
    )
    pan_ids: Literal["both", "one", "none"] = key(
        Words("both", "one", "none"),
        "PAN IDs that a frame carries; none needs version 2 and extended addresses.",
        default="one",
    )
    sequence_number: Literal["carried", "suppressed"] = key(
        Words("carried", "suppressed"),
        "Whether frames are numbered (version 2 may suppress it).",
        default="carried",
    )
    acknowledged: bool = key(
        Flag(), "Whether unicast frames ask for acknowledgement.", default=True
    )
    slotted: bool = key(
        Flag(), "Whether nodes share the time slots of a TSCH network.", default=False
    )
    security: SecurityShape | None = key(
        Subtable(SecurityShape), "Link security; left out for an open network.", default=None
    )
    header_ie: list[ElementShape] = key(
        Listed(Subtable(ElementShape)), "Header IEs of data frames.", default=()
    )
    payload_ie: list[ElementShape] = key(
        Listed(Subtable(ElementShape)), "Payload IEs of data frames.", default=()
    )


class ContextShape(ShapeTable):
    """A prefix shared by all nodes."""

    id: int = key(Whole(0, 15), "The context's number; 0 costs no octet.")
    prefix: IPv6Network = key(PREFIX, "The prefix, of any length from 0 to 128.")
    may_compress: bool = key(
        Flag(), "False: it only expands, as while it is being spread or withdrawn.", default=True
    )


# every node of the mesh forwards for others; one is where the mesh meets other networks (RFC 6775 section 2)
_ROLES_CALLED = {
    "router": "node, or border where the mesh meets other networks", "6lr": "node", "repeater": "node",
    "sensor": "node", "6ln": "node", "leaf": "node", "device": "node",
    "gateway": "border", "6lbr": "border", "edge": "border", "sink": "collector",
}  # fmt: skip


class StationShape(ShapeTable):
    """One end of flows: a typical node, the collector, the border router, a host outside."""

    name: str = key(FreeText(needed=True), "The name that flows use.")
    role: Literal["node", "collector", "border", "outside"] = key(
        Words("node", "collector", "border", "outside", called=_ROLES_CALLED),
        "A node, the collector in the mesh, the border router, or a host outside the mesh.",
    )
    short: bytes | None = key(SHORT, "Short link address.", default=None)
    extended: bytes | None = key(EXTENDED, "Extended link address (EUI-64).", default=None)
    address: IPv6Address | None = key(ADDRESS, "The whole IPv6 address.", default=None)
    prefix: IPv6Network | None = key(
        OF_STATION, "A /64 prefix; the identifier then follows from a link address.", default=None
    )
    identifier: Literal["link", "short", "extended"] = key(
        Words("link", "short", "extended"),
        "Which link address makes the identifier: the one in frames, or always the same.",
        default="link",
    )
    parent: str | None = key(
        FreeText(),
        "Name of the station that forwards for it, on the way to the root.",
        default=None,
    )


class FlowShape(ShapeTable):
    """Who sends to whom, over which headers, how often."""

    name: str = key(FreeText(needed=True), "The flow's name.")
    source: str = key(FreeText(), "Name of the sending station.")
    destination: str | None = key(FreeText(), "Name of the receiving station.", default=None)
    group: IPv6Address | None = key(
        GROUP, "Multicast address, instead of a destination.", default=None
    )
    hops: int = key(Whole(1, 254), "Link hops inside the mesh, at most.", default=1)
    source_port: int = key(PORT, "UDP source port.")
    destination_port: int = key(Whole(1, 0xFFFF), "UDP destination port; 0 names nobody.")
    hop_limit: int = key(
        Whole(1, 255), "IPv6 hop limit at the sender; each router takes one off. How many a packet from outside has "
        "passed is not known, so its limit is planned as one that goes in line: none of 1, 64 and 255.", default=64,
    )  # fmt: skip
    traffic_class: int = key(Whole(0, 255), "IPv6 traffic class.", default=0)
    flow_label: int = key(Whole(0, 0xFFFFF), "IPv6 flow label.", default=0)
    udp_checksum: Literal["carried", "elided"] = key(
        Words("carried", "elided"),
        "Elided only with the permission of RFC 6282 section 4.3.2.",
        default="carried",
    )
    routing: RoutingShape | None = key(Subtable(RoutingShape), default=None)
    coap: CoapShape | None = key(Subtable(CoapShape), default=None)
    oscore: OscoreShape | None = key(Subtable(OscoreShape), default=None)
    dtls: DtlsShape | None = key(Subtable(DtlsShape), default=None)
    answer: AnswerShape | None = key(Subtable(AnswerShape), default=None)
    messages: list[str] = key(Listed(FreeText()), "Names of the messages it carries.", default=())
    most_frames: int = key(
        Whole(1, 256), "Frames that one message may take; 1: no fragments.", default=1
    )
    every_s: Decimal | None = key(
        Every(),
        "Seconds between two readings of a node; played at random times.",
        default=None, called=("interval", "interval_s", "period", "period_s"),
    )  # fmt: skip


class NetworkShape(ShapeTable):
    """What concerns the network as a whole."""

    mtu: int = key(
        Whole(MINIMUM_MTU, LARGEST),
        "IPv6 MTU: octets of the largest datagram, in fragments where no frame holds it.",
        default=MINIMUM_MTU,
    )
    nodes: int | None = key(Whole(1), "How many nodes there are.", default=None)
    fragments: Literal["plain", "recoverable"] = key(
        Words("plain", "recoverable"),
        "How datagrams are cut: plain fragments (RFC 4944), or recoverable ones (RFC 8931), which are "
        "acknowledged and count compressed octets; the first leaves free what its headers grow by on the next hop.",
        default="plain",
    )


class DesignShape(ShapeTable):
    """A design: link, contexts, stations, flows and messages; and how the network is to carry them."""

    title: str = key(FreeText(), "What is designed here.")
    link: LinkShape = key(Subtable(LinkShape), "How every frame is built.")
    network: NetworkShape = key(
        Subtable(NetworkShape),
        "What concerns the network as a whole.",
        default=NetworkShape.of_defaults(),
    )
    context: list[ContextShape] = key(
        Listed(Subtable(ContextShape)), "The prefixes that all nodes share.", default=()
    )
    station: list[StationShape] = key(
        Listed(Subtable(StationShape), needed=True),
        "The ends of flows: nodes, collector, border, hosts outside.",
    )
    flow: list[FlowShape] = key(Listed(Subtable(FlowShape), needed=True), "Who sends to whom.")
    message: list[MessageShape] = key(
        Listed(Subtable(MessageShape)), "The formats of application data.", default=()
    )
    access: AccessShape | None = key(Subtable(AccessShape), default=None)
    tree: TreeShape | None = key(Subtable(TreeShape), default=None)
    loss: LossShape | None = key(Subtable(LossShape), default=None)
    queue: QueueShape | None = key(Subtable(QueueShape), default=None)
    sleep: SleepShape | None = key(Subtable(SleepShape), default=None)
    upkeep: UpkeepShape | None = key(Subtable(UpkeepShape), default=None)
    radio: RadioShape | None = key(Subtable(RadioShape), default=None)
    battery: BatteryShape | None = key(Subtable(BatteryShape), default=None)
    limits: LimitsShape | None = key(Subtable(LimitsShape), default=None)
    burst: list[BurstShape] = key(Listed(Subtable(BurstShape)), default=())
