"""A fragment in a mesh below IPv6, which passes each on by itself: of which datagram it is, on which link.

They are put together at their final destination alone (RFC 4944 section 11), and those of one datagram are on several
links at once. What a trace puts together is of all links.
"""

from collections.abc import Hashable
from typing import NamedTuple

from lowpanbudget.capture.beginnings import front_of
from lowpanbudget.capture.crossings import Crossing, ends_in_mesh
from lowpanbudget.capture.follow.matching import Matcher
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.recovery_parts import passed_key, recovered_octets
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan.mesh import Mesh
from lowpanbudget.layers.lowpan.recovery import Rfrag


class PassedPart(NamedTuple):
    """A part of a datagram on one link: octets from ``start`` to ``end`` of its ``size``, and a ``digest`` of them.

    All parts of one datagram have one ``key``: the ends of its way, its size and its tag. ``size`` is None where a part
    that may be asked for again (``recovers``) does not tell it. ``left`` are the hops left, ``begins`` is what a first
    part tells of all of it. It is on its first link where its sender is who sent it first, on its last one where its
    receiver is who it is for. ``goes_on`` and ``runs_out`` as in ``Crossing``.
    """

    key: Hashable
    start: int
    end: int
    digest: int
    size: int | None
    left: int
    begins: Crossing | None
    is_on_first: bool
    is_on_last: bool
    goes_on: bool
    runs_out: bool
    recovers: bool


def passed_part(sighting: Sighting, matcher: Matcher | None) -> PassedPart | None:
    """Return the part of a datagram that a mesh passes on with a frame, as it comes on this link; None of others.

    ``matcher`` finds its flow in a design.
    """
    if not sighting.is_fragment or sighting.repeats is not None or sighting.damaged or sighting.cut:
        return None
    example = sighting.example
    if example is None or sighting.payload is None:
        return None
    mac, part, mesh = example.mac, example.fragment, example.packet.find(Mesh)
    if mac is None or part is None or mesh is None or BROADCAST in (mac.destination, mesh.final):
        return None
    arrival = sighting.arrival
    if isinstance(part, Rfrag):
        octets = recovered_octets(part, sighting)
        if part.abort or octets is None:
            return None
        start, end, size = part.offset, part.offset + part.length, part.size
        digest, tag, counted = hash(octets[-part.length :]), octets[1], None
    elif arrival is not None:
        start, end, digest = arrival.fragment.start, arrival.fragment.end, arrival.fragment.digest
        counted = size = part.size
        tag = arrival.datagram.key.tag
    else:
        return None
    devices = sighting.decoder.devices
    is_on_first, is_on_last = ends_in_mesh(mesh, mac, devices)
    # an address of another length may be of the same node
    goes_on = not is_on_last and len(mac.destination or b"") == len(mesh.final)
    return PassedPart(
        passed_key(mesh.originator, mesh.final, counted, tag, mac.pan_id),
        start,
        end,
        digest,
        size,
        mesh.hops_left,
        front_of(sighting, matcher) if part.first else None,
        is_on_first,
        is_on_last,
        goes_on,
        goes_on and mesh.is_last_hop,
        isinstance(part, Rfrag),
    )
