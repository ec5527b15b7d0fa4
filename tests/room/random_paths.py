"""Random links and flows: every frame form, security and address form that a design file can state."""

from collections.abc import Iterable
from dataclasses import replace
from ipaddress import IPv6Address
from itertools import product
from typing import Any

from hypothesis import strategies as st

from lowpanbudget.design.flow import Flow, Station
from lowpanbudget.design.link import AddressForm, Link, PanIds
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.env import Contexts
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.elements import Element
from lowpanbudget.layers.link.phy import PHYS

FORMS: tuple[AddressForm, ...] = ("short", "extended")
NARROW: tuple[PanIds, ...] = ("one", "none")
WIDE: tuple[PanIds, ...] = ("one", "both")
MESH, OUTSIDE = "2001:db8:7:7::", "2001:db8:f00::"


PORTS = st.one_of(st.integers(0, 0xFFFF), st.integers(0xF000, 0xF0FF), st.integers(0xF0B0, 0xF0BF))
GROUPS = [IPv6Address(text) for text in ("ff03::fc", "ff05::1:3", "ff03::1:2:3:4", "ff1e:1::99")]


def table_of(*columns: Iterable[Any]) -> st.SearchStrategy[Any]:
    """Return one of each column as one draw; tables are made once, and each draw costs what many rows do not."""
    return st.sampled_from(list(product(*columns)))


BOTH = (False, True)
FRAMES = table_of(sorted(PHYS), range(3), FORMS, BOTH)
# whether the PAN IDs are the scarcer ones, the sequence number is there, ACKs are asked for, counters are left out
HABITS = table_of(BOTH, BOTH, BOTH, BOTH, (1280, 1280, 1281, 1600, 2047))
SECURITIES = table_of(range(8), range(4))
OTHER_PANS = st.integers(0, 0xFFFE)
# whether there is an element, and its octets
ELEMENTS = table_of((0, 1, 2, 3), range(10))


def securities(draw: st.DrawFn, version: int, *, suppressed: bool) -> Security | None:
    level, mode = draw(SECURITIES)
    if version == 0 or level == 0:
        return None
    source = {2: bytes(4), 3: bytes(8)}.get(mode)
    return Security(
        level, mode, None if suppressed else 0, source, 1 if mode else None, asn_in_nonce=suppressed
    )


def links(draw: st.DrawFn) -> Link:
    name, version, addresses, slotted = draw(FRAMES)
    scarce, numbered, acknowledged, suppressed, mtu = draw(HABITS)
    phy = PHYS[name]
    none = version == 2 and addresses == "extended"
    pan_ids: PanIds = (NARROW if none else WIDE)[scarce]
    return Link(
        phy.name,
        phy.largest,
        phy.fcs,
        version,
        addresses,
        7,
        draw(OTHER_PANS) if pan_ids == "both" else 7,
        pan_ids,
        sequence_number=version != 2 or numbered,
        acknowledged=acknowledged,
        slotted=slotted,
        security=securities(draw, version, suppressed=version == 2 and slotted and suppressed),
        mtu=mtu,
        header_ies=elements(draw, version, 0x1A),
        payload_ies=elements(draw, version, 1),
    )


def elements(draw: st.DrawFn, version: int, number: int) -> tuple[Element, ...]:
    """Return an information element or none; frames have them from version 2 on."""
    if version != 2:
        return ()
    none, size = draw(ELEMENTS)
    return () if none else (Element(number, bytes(size)),)


ENDS = st.integers(0, (1 << 64) - 1)
ADDRESSES = st.integers(1, 1 << 62)
IDENTIFIERS = ("link", "link", "short", "extended")
ROLES: dict[tuple[str, ...], st.SearchStrategy[Any]] = {
    roles: table_of(roles, IDENTIFIERS, range(5))
    for roles in (("node", "collector", "outside"), ("node", "collector"), ("node", "outside"))
}
NUMBERS = st.integers(1, 0x6FFF)
HOPS = st.integers(1, 5)
HOP_LIMITS = {
    hops: st.one_of(st.sampled_from([64, 255]), st.integers(hops + 1, 255)) for hops in range(1, 6)
}
# as often no group as two thirds; whether the checksum is elided, and whether frames are forwarded below IPv6
HEADERS = table_of((*GROUPS, *[None] * 8), (0, 0, 1, 0x28, 0xB9), (0, 0, 1, 0xFFFFF), BOTH, BOTH)
BORDER = Station(
    "r",
    "border",
    b"\x70\x02",
    bytes.fromhex("020000000000aaaa"),
    prefix=int(IPv6Address(MESH)),
)


def stations(draw: st.DrawFn, name: str, number: int, roles: tuple[str, ...]) -> Station:
    role, identifier, derived = draw(ROLES[roles])
    if role == "outside":
        return Station(name, "outside", address=IPv6Address(int(IPv6Address(OUTSIDE)) | draw(ENDS)))
    own = Station(
        name,
        role,
        number.to_bytes(2, "big"),
        bytes.fromhex("0200000000000000")[:6] + number.to_bytes(2, "big"),
        prefix=int(IPv6Address(MESH)),
        identifier=identifier,
    )
    if derived == 0:
        return replace(own, address=IPv6Address(int(IPv6Address(MESH)) | draw(ADDRESSES)))
    return own


def flows(draw: st.DrawFn) -> Flow:
    source = stations(draw, "a", draw(NUMBERS), ("node", "collector", "outside"))
    inner = ("node", "collector") if source.role == "outside" else ("node", "outside")
    destination = stations(draw, "b", 0x7001, inner)
    hops = draw(HOPS)
    group, traffic, label, elide, below = draw(HEADERS)
    return Flow(
        "f",
        source,
        destination,
        BORDER,
        group,
        hops,
        draw(PORTS),
        draw(PORTS),
        draw(HOP_LIMITS[hops]),
        traffic,
        label,
        elide_udp_checksum=elide,
        mesh_under=below,
    )


PREFIXES = (f"{MESH}/64", "2001:db8:7::/48", f"{OUTSIDE}/64", f"{OUTSIDE}9/128", "2001:db8::/32")
CONTEXTS = table_of(range(16), PREFIXES)
CONTEXT_COUNTS = st.integers(0, 3)


def contexts(draw: st.DrawFn) -> Contexts:
    return Contexts(dict(draw(CONTEXTS) for _ in range(draw(CONTEXT_COUNTS))))


@st.composite
def random_designs(draw: st.DrawFn) -> tuple[Design, FlowPath]:
    """Return a design with one random flow over a random link, and one hop of it."""
    flow = flows(draw)
    stations = (flow.source, flow.destination, flow.border)
    design = Design("random", links(draw), contexts(draw), stations, (flow,), ())
    paths = design.paths(flow)
    return design, paths[draw(st.integers(0, len(paths) - 1))]


def random_paths() -> st.SearchStrategy[FlowPath]:
    """Return one hop of a random flow over a random link."""
    return random_designs().map(lambda drawn: drawn[1])


def mesh_by_hand(path: FlowPath) -> int:
    """Return the octets before all other headers of 6LoWPAN, of up to 14 hops.

    RFC 4944 section 5.2: one, the originator's address and the final one's; of a group that has 16 bits (section 9),
    and a broadcast header of two octets follows (section 11.1).
    """
    if not path.flow.mesh_under:
        return 0
    one = {"short": 2, "extended": 8}[path.link.addresses]
    return 1 + 2 * one if path.flow.group is None else 1 + one + 2 + 2
