"""How a design file is written: the pydantic shape of its tables, and the JSON Schema for editors.

Only shape is judged here (keys, types, ranges, allowed words); what keys mean together is judged in ``meaning``.
"""

from ipaddress import IPv6Address, IPv6Network
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from lowpanbudget.design.application_shape import CoapShape, DtlsShape, Hex, OscoreShape
from lowpanbudget.design.link import PHYS
from lowpanbudget.design.messages import Exact, MessageShape
from lowpanbudget.design.table import ShapeTable
from lowpanbudget.layers.internet.ipv6 import MINIMUM_MTU
from lowpanbudget.layers.lowpan.fragment import LARGEST


def _octets(*lengths: int) -> BeforeValidator:
    def read(value: Any) -> Any:
        """Return the octets of a link address in hex, with or without colons."""
        if isinstance(value, int) and not isinstance(value, bool) and lengths == (2,):
            if 0 <= value <= 0xFFFF:
                return value.to_bytes(2, "big")
            raise ValueError("a short address is a number from 0x0000 to 0xffff")
        if isinstance(value, bytes):
            return value
        if not isinstance(value, str):
            raise ValueError("hex text is wanted")  # noqa: TRY004  # pydantic collects ValueErrors
        try:
            octets = bytes.fromhex(value.removeprefix("0x").replace(":", "").replace("-", ""))
        except ValueError:
            raise ValueError(f"{value!r} is no hex text") from None
        if len(octets) not in lengths:
            wanted = " or ".join(str(length) for length in lengths)
            raise ValueError(f"{wanted} octets are wanted; {value!r} has {len(octets)}")
        return octets

    return BeforeValidator(read)


def _parsed(kind: type) -> BeforeValidator:
    def read(value: Any) -> Any:
        """Return an IPv6 address or prefix from its text."""
        if isinstance(value, kind):
            return value
        if not isinstance(value, str):
            raise ValueError("text is wanted")  # noqa: TRY004  # pydantic collects ValueErrors
        try:
            return kind(value)
        except ValueError as error:
            if "host bits" in str(error):
                meant = IPv6Network(value, strict=False)
                raise ValueError(f"bits beyond the length are set; did you mean {meant}?") from None
            raise ValueError(f"{value!r} is no IPv6 {_NAMES[kind]}") from None

    return BeforeValidator(read)


def _no_boolean(value: Any) -> Any:
    """Return a value that is no boolean: pydantic would take true for an allowed 1."""
    if isinstance(value, bool):
        raise ValueError("a number is wanted")  # noqa: TRY004  # pydantic collects ValueErrors
    return value


_NAMES: dict[type, str] = {IPv6Address: "address", IPv6Network: "prefix, such as 2001:db8::/64"}
_TEXT = WithJsonSchema({"type": "string"})
Short = Annotated[bytes, _octets(2), WithJsonSchema({"type": ["string", "integer"]})]
Extended = Annotated[bytes, _octets(8), _TEXT]
KeySource = Annotated[bytes, _octets(4, 8), _TEXT]
Address = Annotated[IPv6Address, _parsed(IPv6Address), _TEXT]
Prefix = Annotated[IPv6Network, _parsed(IPv6Network), _TEXT]
Interval = Annotated[Exact, Field(gt=0), WithJsonSchema({"type": "number", "exclusiveMinimum": 0})]
Port = Annotated[int, Field(ge=0, le=0xFFFF)]
Pan = Annotated[int, Field(ge=0, le=0xFFFF)]


class SecurityShape(ShapeTable):
    """Link security; leave the table out for an open network."""

    level: int = Field(
        ge=0,
        le=7,
        description="Security level: 0 none, 1-3 authenticate, 4 encrypts only, 5-7 do both.",
    )
    key_id_mode: int = Field(
        default=1, ge=0, le=3, description="How the key is named in the frame."
    )
    key_source: KeySource | None = Field(
        default=None, description="Key source in hex: 4 octets for mode 2, 8 for mode 3."
    )
    frame_counter: Literal["carried", "suppressed"] = Field(
        default="carried",
        description="Whether the frame counter goes in line (version 2 may suppress it).",
    )


class ElementShape(ShapeTable):
    """An information element of data frames, its content in hex; terminations are added."""

    id: int = Field(
        ge=0, le=0xFF, description="Element id of a header IE, group id of a payload IE."
    )
    octets: Hex = Field(default=b"", description="Its content in hex.")


class LinkShape(ShapeTable):
    """How every frame is built."""

    phy: Literal[tuple(PHYS)] = Field(  # type: ignore[valid-type]  # the words of one table
        default="o-qpsk-2450", description="The PHY; decides the largest frame and its FCS."
    )
    frame_version: int = Field(
        default=1, ge=0, le=2, description="0: 2003, 1: 2006, 2: 2015 and later."
    )
    addresses: Literal["short", "extended"] = Field(
        default="short", description="Link addresses of data frames."
    )
    pan_id: Pan = Field(description="PAN ID of the nodes.")
    destination_pan_id: Pan | None = Field(
        default=None, description="PAN ID of the receivers, when it differs."
    )
    pan_ids: Literal["both", "one", "none"] = Field(
        default="one",
        description="PAN IDs that a frame carries; none needs version 2 and extended addresses.",
    )
    sequence_number: Literal["carried", "suppressed"] = Field(
        default="carried", description="Whether frames are numbered (version 2 may suppress it)."
    )
    acknowledged: bool = Field(
        default=True, description="Whether unicast frames ask for acknowledgement."
    )
    slotted: bool = Field(
        default=False, description="Whether nodes share the time slots of a TSCH network."
    )
    security: SecurityShape | None = Field(
        default=None, description="Link security; left out for an open network."
    )
    header_ie: list[ElementShape] = Field(
        default_factory=list, description="Header IEs of data frames."
    )
    payload_ie: list[ElementShape] = Field(
        default_factory=list, description="Payload IEs of data frames."
    )


class ContextShape(ShapeTable):
    """A prefix shared by all nodes."""

    id: int = Field(ge=0, le=15, description="The context's number; 0 costs no octet.")
    prefix: Prefix = Field(description="The prefix, of any length from 0 to 128.")
    may_compress: bool = Field(
        default=True,
        description="False: it only expands, as while it is being spread or withdrawn.",
    )


class StationShape(ShapeTable):
    """One end of flows: a typical node, the collector, the border router, a host outside."""

    name: str = Field(min_length=1, description="The name that flows use.")
    role: Literal["node", "collector", "border", "outside"] = Field(
        description="A node, the collector in the mesh, the border router, or a host outside the mesh."
    )
    short: Short | None = Field(default=None, description="Short link address.")
    extended: Extended | None = Field(default=None, description="Extended link address (EUI-64).")
    address: Address | None = Field(default=None, description="The whole IPv6 address.")
    prefix: Prefix | None = Field(
        default=None, description="A /64 prefix; the identifier then follows from a link address."
    )
    identifier: Literal["link", "short", "extended"] = Field(
        default="link",
        description="Which link address makes the identifier: the one in frames, or always the same.",
    )


class RoutingShape(ShapeTable):
    """What a RPL network adds to each datagram of the flow (RFC 6550, RFC 8138)."""

    form: Literal["6lorh", "extension-headers"] = Field(
        default="6lorh", description="As 6LoRH headers in page 1, or as IPv6 extension headers."
    )
    rpi: bool = Field(default=True, description="RPL packet information.")
    option_type: Literal[0x63, 0x23] = Field(
        default=0x63, description="Type of the RPL option: 0x63 (RFC 6553) or 0x23 (RFC 9008)."
    )
    instance: int = Field(default=0, ge=0, le=255, description="RPLInstanceID.")
    sender_rank: int = Field(default=512, ge=0, le=0xFFFF, description="Rank of the sender.")
    route: int = Field(
        default=0, ge=0, le=120, description="Routers in the source route of a downward packet."
    )
    entry_octets: Annotated[Literal[1, 2, 4, 8, 16], BeforeValidator(_no_boolean)] | None = Field(
        default=None,
        description="Last octets that tell routers' addresses apart; 2 without extended addresses, else 8.",
    )
    tunnel: bool = Field(default=False, description="An outer IPv6 header around the packet.")


class FlowShape(ShapeTable):
    """Who sends to whom, over which headers, how often."""

    name: str = Field(min_length=1, description="The flow's name.")
    source: str = Field(description="Name of the sending station.")
    destination: str | None = Field(default=None, description="Name of the receiving station.")
    group: Address | None = Field(
        default=None, description="Multicast address, instead of a destination."
    )
    hops: int = Field(default=1, ge=1, le=254, description="Link hops inside the mesh, at most.")
    source_port: Port = Field(description="UDP source port.")
    destination_port: Port = Field(description="UDP destination port.")
    hop_limit: int = Field(default=64, ge=1, le=255, description="IPv6 hop limit at the sender.")
    traffic_class: int = Field(default=0, ge=0, le=255, description="IPv6 traffic class.")
    flow_label: int = Field(default=0, ge=0, le=0xFFFFF, description="IPv6 flow label.")
    udp_checksum: Literal["carried", "elided"] = Field(
        default="carried", description="Elided only with the permission of RFC 6282 section 4.3.2."
    )
    routing: RoutingShape | None = None
    coap: CoapShape | None = None
    oscore: OscoreShape | None = None
    dtls: DtlsShape | None = None
    messages: list[str] = Field(
        default_factory=list, description="Names of the messages it carries."
    )
    most_frames: int = Field(
        default=1, ge=1, le=256, description="Frames that one message may take; 1: no fragments."
    )
    every_s: Interval | None = Field(
        default=None, description="Seconds between two readings of a node."
    )


class NetworkShape(ShapeTable):
    """What concerns the network as a whole."""

    mtu: int = Field(
        default=MINIMUM_MTU, ge=MINIMUM_MTU, le=LARGEST, description="IPv6 MTU in octets."
    )
    nodes: int | None = Field(default=None, ge=1, description="How many nodes there are.")
    fragments: Literal["plain", "recoverable"] = Field(
        default="plain",
        description="How datagrams are cut: plain fragments (RFC 4944), or recoverable ones (RFC 8931), which are "
        "acknowledged and count compressed octets.",
    )


class DesignShape(ShapeTable):
    """A design: link, contexts, stations, flows and messages."""

    title: str = Field(description="What is designed here.")
    link: LinkShape = Field(description="How every frame is built.")
    network: NetworkShape = Field(
        default_factory=NetworkShape, description="What concerns the network as a whole."
    )
    context: list[ContextShape] = Field(
        default_factory=list, description="The prefixes that all nodes share."
    )
    station: list[StationShape] = Field(
        min_length=1, description="The ends of flows: nodes, collector, border, hosts outside."
    )
    flow: list[FlowShape] = Field(min_length=1, description="Who sends to whom.")
    message: list[MessageShape] = Field(
        default_factory=list, description="The formats of application data."
    )
