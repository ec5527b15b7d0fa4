"""Random links and flows: every frame form, security and address form that a design file can state."""

from dataclasses import replace
from ipaddress import IPv6Address

from hypothesis import strategies as st

from lowpanbudget.design.flow import Flow, Station
from lowpanbudget.design.link import AddressForm, Link, PanIds
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import Path
from lowpanbudget.env import Contexts
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.elements import Element
from lowpanbudget.layers.link.phy import PHYS

FORMS: tuple[AddressForm, ...] = ("short", "extended")
NARROW: tuple[PanIds, ...] = ("one", "none")
WIDE: tuple[PanIds, ...] = ("one", "both")
MESH, OUTSIDE = "2001:db8:7:7::", "2001:db8:f00::"


def securities(draw: st.DrawFn, version: int, *, slotted: bool) -> Security | None:
    level = draw(st.integers(0, 7))
    if version == 0 or level == 0:
        return None
    mode = draw(st.integers(0, 3))
    source = {2: bytes(4), 3: bytes(8)}.get(mode)
    suppressed = version == 2 and slotted and draw(st.booleans())
    return Security(
        level, mode, None if suppressed else 0, source, 1 if mode else None, asn_in_nonce=suppressed
    )


def links(draw: st.DrawFn) -> Link:
    phy = PHYS[draw(st.sampled_from(sorted(PHYS)))]
    version = draw(st.integers(0, 2))
    addresses: AddressForm = draw(st.sampled_from(FORMS))
    none = version == 2 and addresses == "extended"
    pan_ids: PanIds = draw(st.sampled_from(NARROW if none else WIDE))
    other = draw(st.integers(0, 0xFFFE)) if pan_ids == "both" else 7
    slotted = draw(st.booleans())
    return Link(
        phy.name,
        phy.largest,
        phy.fcs,
        version,
        addresses,
        7,
        other,
        pan_ids,
        sequence_number=version != 2 or draw(st.booleans()),
        acknowledged=draw(st.booleans()),
        slotted=slotted,
        security=securities(draw, version, slotted=slotted),
        mtu=draw(st.sampled_from([1280, 1280, 1281, 1600, 2047])),
        header_ies=elements(draw, version, 0x1A),
        payload_ies=elements(draw, version, 1),
    )


def elements(draw: st.DrawFn, version: int, number: int) -> tuple[Element, ...]:
    """Return an information element or none; frames have them from version 2 on."""
    if version != 2 or draw(st.integers(0, 3)):
        return ()
    return (Element(number, bytes(draw(st.integers(0, 9)))),)


def stations(draw: st.DrawFn, name: str, number: int, roles: list[str]) -> Station:
    role = draw(st.sampled_from(roles))
    if role == "outside":
        end = draw(st.integers(1, 1 << 64)) - 1
        return Station(name, "outside", address=IPv6Address(int(IPv6Address(OUTSIDE)) | end))
    own = Station(
        name,
        role,  # type: ignore[arg-type]
        number.to_bytes(2, "big"),
        bytes.fromhex("0200000000000000")[:6] + number.to_bytes(2, "big"),
        prefix=int(IPv6Address(MESH)),
        identifier=draw(st.sampled_from(["link", "link", "short", "extended"])),
    )
    if draw(st.integers(0, 4)) == 0:
        return replace(
            own, address=IPv6Address(int(IPv6Address(MESH)) | draw(st.integers(1, 1 << 62)))
        )
    return own


PORTS = st.one_of(st.integers(0, 0xFFFF), st.integers(0xF000, 0xF0FF), st.integers(0xF0B0, 0xF0BF))
GROUPS = [IPv6Address(text) for text in ("ff03::fc", "ff05::1:3", "ff03::1:2:3:4", "ff1e:1::99")]


def flows(draw: st.DrawFn) -> Flow:
    source = stations(draw, "a", draw(st.integers(1, 0x6FFF)), ["node", "collector", "outside"])
    roles = ["node", "collector"] if source.role == "outside" else ["node", "outside"]
    destination = stations(draw, "b", 0x7001, roles)
    hops = draw(st.integers(1, 5))
    return Flow(
        "f",
        source,
        destination,
        Station(
            "r",
            "border",
            b"\x70\x02",
            bytes.fromhex("020000000000aaaa"),
            prefix=int(IPv6Address(MESH)),
        ),
        draw(st.one_of(st.none(), st.none(), st.sampled_from(GROUPS))),
        hops,
        draw(PORTS),
        draw(PORTS),
        draw(st.one_of(st.sampled_from([64, 255]), st.integers(hops + 1, 255))),
        draw(st.sampled_from([0, 0, 1, 0x28, 0xB9])),
        draw(st.sampled_from([0, 0, 1, 0xFFFFF])),
        elide_udp_checksum=draw(st.booleans()),
    )


def contexts(draw: st.DrawFn) -> Contexts:
    prefixes = st.sampled_from(
        [f"{MESH}/64", "2001:db8:7::/48", f"{OUTSIDE}/64", f"{OUTSIDE}9/128", "2001:db8::/32"]
    )
    return Contexts(draw(st.dictionaries(st.integers(0, 15), prefixes, max_size=3)))


@st.composite
def random_designs(draw: st.DrawFn) -> tuple[Design, Path]:
    """Return a design with one random flow over a random link, and one hop of it."""
    flow = flows(draw)
    stations = (flow.source, flow.destination, flow.border)
    design = Design("random", links(draw), contexts(draw), stations, (flow,), ())
    return design, draw(st.sampled_from(design.paths(flow)))


def random_paths() -> st.SearchStrategy[Path]:
    """Return one hop of a random flow over a random link."""
    return random_designs().map(lambda drawn: drawn[1])
