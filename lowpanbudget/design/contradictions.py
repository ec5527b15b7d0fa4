"""Keys of a design that contradict each other: every such fault of meaning, with its path and a way out."""

from collections import Counter
from collections.abc import Iterator, Sequence

from lowpanbudget.design.application_shape import application
from lowpanbudget.design.deployment_flaws import deployment_flaws
from lowpanbudget.design.flow_ends import end_flaws, group_flaws
from lowpanbudget.design.link import ADDRESS_MODES, pan_ids_possible
from lowpanbudget.design.mesh_flaws import mesh_flaws
from lowpanbudget.design.routing import route_flaws
from lowpanbudget.design.shape import DesignShape, FlowShape, LinkShape, SecurityShape, StationShape
from lowpanbudget.design.spelling import spelled
from lowpanbudget.layers.link.addressing import addressing
from lowpanbudget.layers.link.auxiliary import KEY_ID
from lowpanbudget.layers.link.elements import HEADER, PAYLOAD, PAYLOAD_TERMINATION
from lowpanbudget.layers.link.header_contents import TERMINATION_1, TERMINATION_2
from lowpanbudget.layers.link.mac import BROADCAST_PAN
from lowpanbudget.payload.flaws import Flaw, Path


def contradictions(shape: DesignShape) -> Iterator[Flaw]:
    """Yield every fault of link, contexts, stations and flows; messages are judged in ``payload``."""
    yield from _link_flaws(shape.link)
    yield from _context_flaws(shape)
    yield from _station_flaws(shape)
    yield from _flow_flaws(shape)
    yield from mesh_flaws(shape)
    yield from deployment_flaws(shape)


def _link_flaws(link: LinkShape) -> Iterator[Flaw]:
    version = link.frame_version
    if link.pan_id == BROADCAST_PAN:
        yield Flaw(
            ("link", "pan_id"), "0xffff stands for every PAN and is nobody's",
            "Use 0x0000 to 0xfffe",
        )  # fmt: skip
    if link.sequence_number == "suppressed" and version != 2:
        yield Flaw(
            ("link", "sequence_number"), f"a version-{version} frame always has a sequence number",
            "Use frame_version = 2, or carry it",
        )  # fmt: skip
    if link.slotted and version != 2:
        yield Flaw(
            ("link", "slotted"), f"slots are told in frames of version 2, the link has version {version}",
            "Use frame_version = 2, or leave slotted out",
        )  # fmt: skip
    possible = pan_ids_possible(version, link.addresses)
    if link.pan_ids not in possible:
        mode = ADDRESS_MODES[link.addresses]
        yield Flaw(
            ("link", "pan_ids"),
            f"a version-{version} frame between {link.addresses} addresses cannot carry "
            f"{link.pan_ids} PAN ID{'s' if link.pan_ids != 'one' else ''}",
            f"Possible: {' or '.join(possible)} ({addressing(version, mode, mode, 0).layout.cite})",
        )
    apart = link.destination_pan_id not in {None, link.pan_id}
    if apart and link.pan_ids != "both":
        yield Flaw(
            ("link", "pan_ids"),
            "two different PAN IDs must both be carried",
            'Use pan_ids = "both"',
        )
    for key in ("header_ie", "payload_ie"):
        if getattr(link, key) and version != 2:
            yield Flaw(
                ("link", key), f"a version-{version} frame has no information elements",
                "Use frame_version = 2",
            )  # fmt: skip
    yield from _element_flaws(link)
    if link.security is not None:
        yield from _security_flaws(link, link.security)


def _element_flaws(link: LinkShape) -> Iterator[Flaw]:
    """Yield what is wrong with the information elements of the link, each where it stands."""
    for key, elements, kind, ends in (
        ("header_ie", link.header_ie, HEADER, (TERMINATION_1, TERMINATION_2)),
        ("payload_ie", link.payload_ie, PAYLOAD, (PAYLOAD_TERMINATION,)),
    ):
        for index, element in enumerate(elements):
            if element.id > kind.most_id:
                yield Flaw(
                    ("link", key, index, "id"),
                    f"a {kind.head.name} has a {kind.id_name} of {kind.most_id} at most, not {element.id}",
                    f"See its clause ({kind.head.cite})",
                )
            if len(element.octets) > kind.most_octets:
                yield Flaw(
                    ("link", key, index, "octets"),
                    f"a {kind.head.name} has a content of {kind.most_octets} octets at most, not "
                    f"{len(element.octets)}",
                    f"Its length has no more bits ({kind.head.cite}): send it in several elements",
                )
            if element.id in ends and element.octets:
                yield Flaw(
                    ("link", key, index, "octets"), f"a {kind.head.name} that ends the list has no content",
                    f"Leave it out: terminations are added ({kind.head.cite})",
                )  # fmt: skip
            if element.id in ends and element is not elements[-1]:
                yield Flaw(
                    ("link", key, index, "id"), f"a {kind.head.name} that ends the list comes last",
                    "Leave it out: terminations are added",
                )  # fmt: skip
    if link.payload_ie and link.header_ie and link.header_ie[-1].id == TERMINATION_2:
        yield Flaw(
            ("link", "header_ie", len(link.header_ie) - 1, "id"),
            "header termination 2 says that no payload IEs follow, and there are some",
            "Leave it out: terminations are added",
        )


def _security_flaws(link: LinkShape, security: SecurityShape) -> Iterator[Flaw]:
    if link.frame_version == 0 and security.level:
        yield Flaw(
            ("link", "security"), "a secured version-0 frame has no auxiliary security header",
            "Use frame_version = 1 or 2",
        )  # fmt: skip
    if security.frame_counter == "suppressed" and (link.frame_version != 2 or not link.slotted):
        yield Flaw(
            ("link", "security", "frame_counter"),
            "the counter may be suppressed only in version-2 frames of a slotted network",
            "Use frame_version = 2 and slotted = true, or carry it",
        )
    wanted = max(KEY_ID.rows[security.key_id_mode].inline - 1, 0)
    octets = len(security.key_source or b"")
    if octets and octets != wanted:
        yield Flaw(
            ("link", "security", "key_source"),
            f"key id mode {security.key_id_mode} has a key source of {wanted} octets, not {octets}",
            "Mode 2 takes 4 octets, mode 3 takes 8, modes 0 and 1 none",
        )


def _context_flaws(shape: DesignShape) -> Iterator[Flaw]:
    seen: set[int] = set()
    for index, context in enumerate(shape.context):
        if context.id in seen:
            yield Flaw(
                ("context", index, "id"), f"two contexts have the id {context.id}",
                "Give each its own id from 0 to 15",
            )  # fmt: skip
        seen.add(context.id)


def _station_flaws(shape: DesignShape) -> Iterator[Flaw]:
    form = shape.link.addresses
    seen: set[str] = set()
    borders = 0
    for index, station in enumerate(shape.station):
        if station.name in seen:
            yield Flaw(
                ("station", index, "name"),
                f"two stations are named {station.name!r}",
                "Rename one of them",
            )
        seen.add(station.name)
        borders += station.role == "border"
        if borders > 1 and station.role == "border":
            yield Flaw(
                ("station", index, "role"),
                "there are two border routers",
                'Give one of them role = "node" or "collector"; another address of the border router is a station with '
                'role = "outside" and that address',
            )
        if station.address is not None and station.prefix is not None:
            yield Flaw(
                ("station", index, "prefix"), "an address and a prefix are both given",
                "Give the whole address, or the prefix that an identifier completes",
            )  # fmt: skip
        if station.address is not None and station.address.is_multicast:
            yield Flaw(
                ("station", index, "address"), f"{station.address} is a multicast address",
                "Use group in a flow",
            )  # fmt: skip
        elif station.address is not None and (
            station.address.is_unspecified or station.address.is_loopback
        ):
            yield Flaw(
                ("station", index, "address"), f"{station.address} is nobody's address on a link",
                "Give the address that others see",
            )  # fmt: skip
        if station.prefix is not None and station.prefix.is_multicast:
            yield Flaw(
                ("station", index, "prefix"), f"addresses of {station.prefix} are multicast addresses",
                "No packet comes from one (RFC 4291 section 2.7): give the prefix of the network, such as "
                "2001:db8:1::/64",
            )  # fmt: skip
        if station.prefix is not None and station.prefix.prefixlen != 64:
            yield Flaw(
                ("station", index, "prefix"),
                f"a prefix of {station.prefix.prefixlen} bits leaves no 64-bit identifier",
                "Use a /64 prefix or a whole address",
            )
        yield from _own_address_flaws(index, station, form)
    yield from _shared_link_addresses(shape.station)
    if borders == 0 and any(station.role == "outside" for station in shape.station):
        at = next(i for i, station in enumerate(shape.station) if station.role == "outside")
        yield Flaw(
            ("station", at, "role"), "a host outside is reached through a border router, and none is there",
            'Add a station with role = "border"',
        )  # fmt: skip


def _shared_link_addresses(stations: Sequence[StationShape]) -> Iterator[Flaw]:
    """Yield a flaw for each station whose link address an earlier one has."""
    for key in ("short", "extended"):
        owners: dict[bytes, str] = {}
        for index, station in enumerate(stations):
            address = getattr(station, key)
            if address is None:
                continue
            if address in owners:
                yield Flaw(
                    ("station", index, key),
                    f"{station.name!r} has the {key} address {address.hex()} of {owners[address]!r}",
                    "Give each station an address of its own: no two nodes of a PAN share one",
                )
            owners.setdefault(address, station.name)


def _own_address_flaws(index: int, station: StationShape, form: str) -> Iterator[Flaw]:
    if station.role == "outside":
        if station.address is None:
            yield Flaw(
                ("station", index), f"{station.name!r} is outside and needs its whole IPv6 address",
                'Add address = "2001:db8::1"',
            )  # fmt: skip
        return
    if getattr(station, form) is None:
        yield Flaw(
            ("station", index),
            f"{station.name!r} has no {form} link address, and the link uses {form} ones",
            f"Add {form} = ...",
        )
    if station.identifier != "link" and getattr(station, station.identifier) is None:
        yield Flaw(
            ("station", index, "identifier"),
            f"the identifier comes from the {station.identifier} address, and none is given",
            f"Add {station.identifier} = ...",
        )
    if station.short is not None and station.short[0] & 0x80:
        yield Flaw(
            ("station", index, "short"), f"0x{station.short.hex()} is no address of one node",
            "Those have a first bit of zero: 0x0000 to 0x7fff (RFC 4944 section 12)",
        )  # fmt: skip
    if station.extended is not None and station.extended[0] & 1:
        yield Flaw(
            ("station", index, "extended"), f"{station.extended.hex(':')} is an address of a group, not of one node",
            "The last bit of its first octet is 1; it is 0 in an EUI-64 of a node (RFC 4291 section 2.5.1)",
        )  # fmt: skip


def _flow_flaws(shape: DesignShape) -> Iterator[Flaw]:
    stations = {station.name: station for station in shape.station}
    named = Counter(station.name for station in shape.station)
    twice = {name for name, count in named.items() if count > 1}
    messages = {message.name for message in shape.message}
    seen: set[str] = set()
    for index, flow in enumerate(shape.flow):
        if flow.name in seen:
            yield Flaw(
                ("flow", index, "name"), f"two flows are named {flow.name!r}", "Rename one of them"
            )
        seen.add(flow.name)
        for key, name in (("source", flow.source), ("destination", flow.destination)):
            if name is not None and name not in stations:
                yield Flaw(
                    ("flow", index, key), f"there is no station {name!r}",
                    spelled(name, stations, "Stations"),
                )  # fmt: skip
        if (flow.destination is None) == (flow.group is None):
            yield Flaw(
                ("flow", index), "a flow has a destination or a group, one of the two",
                "Name a station, or give a multicast address as group",
            )  # fmt: skip
        if flow.group is not None:
            yield from group_flaws(index, flow, stations)
        if not {flow.source, flow.destination} & twice:  # which of the two is meant, nobody knows
            yield from end_flaws(index, flow, stations, shape.link.addresses)
        yield from _routing_flaws(index, flow, stations)
        for flaw in application(flow.coap, flow.oscore, flow.dtls)[1]:
            yield flaw.under("flow", index)
        carried: list[tuple[Path, list[str]]] = [(("flow", index, "messages"), flow.messages)]
        if flow.answer is not None:
            carried.append((("flow", index, "answer", "messages"), flow.answer.messages))
        for path, names in carried:
            for number, name in enumerate(names):
                if name not in messages:
                    yield Flaw(
                        (*path, number), f"there is no message {name!r}",
                        spelled(name, sorted(messages), "Messages"),
                    )  # fmt: skip
                elif name in names[:number]:
                    yield Flaw(
                        (*path, number), f"message {name!r} stands here twice",
                        "Leave one out; every_s of a flow says how often its messages are sent",
                    )  # fmt: skip


def _routing_flaws(
    index: int, flow: FlowShape, stations: dict[str, StationShape]
) -> Iterator[Flaw]:
    routing = flow.routing
    if routing is None or routing.mesh_under:  # of that ``mesh_flaws`` judges
        return
    source = stations.get(flow.source)
    for flaw in route_flaws(routing.route, flow.hops, "" if source is None else source.role):
        yield flaw.under("flow", index, "routing")
    if flow.group is not None:
        yield Flaw(
            ("flow", index, "routing"),
            "a flow to a group has no RPL artefacts here",
            "Leave [flow.routing] out",
        )
    if not any(station.role in {"border", "collector"} for station in stations.values()):
        yield Flaw(
            ("flow", index, "routing"), "no station is the root", "Add a border or collector"
        )
