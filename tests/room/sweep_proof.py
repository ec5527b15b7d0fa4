"""Settings of sweeps drawn at random from designs of every kind of header, and the frames that judge them.

``PYTHONPATH=tests python tests/bench/prove_sweeps.py`` draws ten thousand of them.
"""

import random
from collections.abc import Iterator, Sequence
from dataclasses import replace
from ipaddress import IPv6Address
from typing import NamedTuple

import numpy as np
from design.designs import EXAMPLES

from lowpanbudget import load_design
from lowpanbudget.design.knobs import turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.design.routing import Routing
from lowpanbudget.errors import DoesNotFit, LowpanError
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.elements import Element
from lowpanbudget.layers.link.phy import PHYS
from lowpanbudget.room.sweep.axes import Axis, axes_of
from lowpanbudget.room.sweep.listing import added
from lowpanbudget.room.sweep.parts import Parts
from lowpanbudget.room.sweep.tables import measured

SUN = PHYS["sun-fsk"]


class Kind(NamedTuple):
    """A design, a flow of it, and the hops over which it is swept."""

    name: str
    design: Design
    flow: str
    hops: Sequence[int]


def kinds() -> list[Kind]:
    """Return flows over every form of frame, address, routing header and protocol that a design can state."""
    footbridge, archive = (
        load_design(EXAMPLES / f"{name}.toml") for name in ("footbridge", "archive")
    )
    found = [
        Kind(flow.name, design, flow.name, range(1, 5))
        for design in (footbridge, archive)
        for flow in design.flows
    ]
    elements = (Element(0x1A, bytes(3)),), (Element(1, bytes(5)),)
    links = {
        "open, version 0": replace(archive.link, version=0, security=None),
        "two PANs": replace(archive.link, pan_ids="both", destination_pan_id=9),
        "key source": replace(archive.link, security=Security(7, 3, 0, bytes(8), 1)),
        "version 2, open": replace(archive.link, version=2, security=None),
        "elements": replace(
            footbridge.link, header_ies=elements[0], payload_ies=elements[1], addresses="short"
        ),
        "large frames": replace(
            footbridge.link,
            phy=SUN.name,
            largest=SUN.largest,
            fcs=SUN.fcs,
            recoverable=True,
            slot_us=None,
        ),
        "short slots": replace(footbridge.link, slot_us=3000),
        "slots that end before the acknowledgement": replace(
            footbridge.link, slot_us=3500, answered_us=4400
        ),
    }
    for name, link in links.items():
        design = archive if link.pan_id == archive.link.pan_id else footbridge
        flow = "alarm" if design is archive else "snapshot"
        found.append(Kind(name, replace(design, link=link), flow, range(1, 4)))
    routings = {
        "rpi up": ("features", Routing(rpi=True, sender_rank=515, instance=3)),
        "rpi, tunnel up": ("features", Routing(rpi=True, tunnel=True, rpi_type=0x23)),
        "rpi, route, tunnel down": ("command", Routing(rpi=True, route=3, tunnel=True)),
        "extension headers": ("command", Routing(rpi=True, route=3, compressed=False)),
        "long routers": ("command", Routing(route=3, entry_octets=8, tunnel=True)),
    }
    for name, (flow, routing) in routings.items():
        hops = routing.route + 1 if routing.route else 4
        changed = replace(footbridge.flow(flow), routing=routing, hops=hops)
        found.append(Kind(name, footbridge.with_flow(changed), flow, range(2, hops + 2)))
    flows = {
        "fields in line": {"traffic_class": 0xB9, "flow_label": 7, "hop_limit": 77},
        "one hop": {"hops": 1, "source_port": 0xF0F0, "destination_port": 5},
        "a group": {"group": IPv6Address("ff05::1:3"), "elide_udp_checksum": True},
    }
    for name, keys in flows.items():
        changed = replace(archive.flow("alarm"), **keys)  # type: ignore[arg-type]
        found.append(Kind(name, archive.with_flow(changed), "alarm", range(1, 4)))
    # from 15 hops on the mesh header has an octet more
    below = replace(archive.flow("alarm"), mesh_under=True, hops=14)
    found.append(Kind("mesh-under", archive.with_flow(below), "alarm", range(13, 17)))
    return found


class Settings:
    """All settings of a kind, added up, weaker ones and two PHYs among them.

    ``few``: over the first and the last of its hops, with the identifiers and the contexts that it has.
    """

    def __init__(self, kind: Kind, *, few: bool = False) -> None:
        self.kind = kind
        self.flow = kind.design.flow(kind.flow)
        self.design = replace(kind.design, flows=(self.flow,))
        self.axes = axes_of(
            self.design,
            self.flow,
            {"hops": kind.hops, "link.phy": dict.fromkeys([kind.design.link.phy, "sun-ofdm"])},
            weaker=True,
        )
        if few:
            self.axes = [_few(axis) for axis in self.axes]
        self.found = measured(self.design, kind.flow, self.axes)
        self.parts = Parts(self.design, kind.flow, self.axes, self.found)

    def drawn(self, draw: random.Random, count: int) -> Iterator[tuple[list[int], int | None]]:
        """Yield settings (a place on each axis), and the room that was added up; None where it is refused."""
        places = [[draw.randrange(len(axis.values)) for axis in self.axes] for _ in range(count)]
        first, forwarded, valid = added(self.parts, np.array(places, np.int64))
        for place, room, sound in zip(places, np.minimum(first, forwarded), valid, strict=True):
            yield place, int(room) if sound else None

    def paths(self, places: Sequence[int]) -> list[FlowPath]:
        """Return the hops of the design with these values; raises where they cannot be."""
        changes = (axis.changes[at] for axis, at in zip(self.axes, places, strict=True))
        then = turned(self.design, filter(None, changes))
        return then.paths(then.flow(self.flow.name))


def _few(axis: Axis) -> Axis:
    if axis.given:
        return replace(
            axis,
            values=axis.values[:: len(axis.values) - 1],
            changes=axis.changes[:: len(axis.values) - 1],
        )
    if axis.name.endswith(".identifier"):
        return replace(axis, values=axis.values[:1], changes=axis.changes[:1])
    return axis


def differs(settings: Settings, places: Sequence[int], room: int | None) -> str:
    """Return in what real frames differ from a room that was added up; nothing where they agree.

    One frame carries the room on every hop, and an octet more takes two on one of them, or is over the MTU. Below 0
    the headers are over by so many. What is refused cannot be put in frames.
    """
    try:
        paths = settings.paths(places)
        over = [len(path.unlimited(b"").octets) - path.link.largest_sent for path in paths]
    except LowpanError as error:
        return "" if room is None else f"{room} octets added up, refused: {error}"
    if room is None:
        return "refused, and it can be encoded"
    if room < 0:
        return "" if max(over) == -room else f"{-room} octets over, really {max(over)}"
    if not all(carries(path, room) for path in paths):
        return f"{room} octets do not fit"
    return f"{room + 1} octets fit as well" if all(carries(p, room + 1) for p in paths) else ""


def carries(path: FlowPath, octets: int) -> bool:
    """Return whether one frame of the link carries a payload of so many octets."""
    try:
        frames = path.frames(bytes(octets))
    except DoesNotFit:
        return False
    return len(frames) == 1 and len(frames[0].octets) <= path.link.largest_sent
