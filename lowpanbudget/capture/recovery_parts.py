"""What a frame brings of a datagram in fragments that may be asked for again, or says of them."""

from collections.abc import Hashable
from typing import NamedTuple

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.layers.lowpan.mesh import Mesh
from lowpanbudget.layers.lowpan.recovery import RFRAG, Rfrag, RfragAck


class RecoveryPart(NamedTuple):
    """A fragment under a tag that may be asked for again, or what ``answers`` such: all came, or it ``aborts``.

    ``unread``: the headers that it brings could not be read. ``passed`` is what all parts of its datagram have in
    common where a mesh passes them on, of what answers them too.
    """

    tag: int
    answers: bool = False
    is_all: bool = False
    aborts: bool = False
    unread: bool = False
    passed: Hashable = None


def recovery_part(
    header: Rfrag | RfragAck, mesh: Mesh | None, sighting: Sighting
) -> RecoveryPart | None:
    """Return what a frame brings of a datagram in recoverable fragments; of frames that are alike each has its tag."""
    pan = _pan_of(sighting)
    if isinstance(header, RfragAck):
        # what is acknowledged goes the other way
        passed = mesh and passed_key(mesh.final, mesh.originator, None, header.tag, pan)
        return RecoveryPart(header.tag, True, header.complete, header.aborted, passed=passed)
    octets = recovered_octets(header, sighting)
    if header.abort or octets is None:
        return None
    passed = mesh and passed_key(mesh.originator, mesh.final, None, octets[1], pan)
    return RecoveryPart(octets[1], unread=sighting.fault is not None, passed=passed)


def recovered_octets(header: Rfrag, sighting: Sighting) -> bytes | None:
    """Return the octets of a fragment, its header before them; None where they are not all there."""
    payload, octets = sighting.payload, header.length + RFRAG.octets
    return None if payload is None or len(payload) < octets else payload[-octets:]


def passed_key(
    originator: bytes, final: bytes, size: int | None, tag: int, pan: int | None
) -> Hashable:
    """Return what parts of one datagram have in common that a mesh passes on: its two ends there, its size and tag."""
    return originator, final, size, tag, pan


def _pan_of(sighting: Sighting) -> int | None:
    mac = None if sighting.example is None else sighting.example.mac
    return None if mac is None else mac.pan_id
