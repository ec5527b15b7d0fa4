"""The frames of a capture as a list: of each where it goes, what it carries, its room, and what is found in it."""

from typing import Any, Unpack

from lowpanbudget.capture.carried import carried
from lowpanbudget.capture.files.reading import Capture, CaptureFile
from lowpanbudget.capture.files.record import ReadingNotice
from lowpanbudget.capture.follow.networks import Networks
from lowpanbudget.capture.follow.receivers import Reception
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.trace_options import TraceOptions, check_known
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.room_left import RoomLeft
from lowpanbudget.capture.sequences import octets_on_air
from lowpanbudget.errors import WireError
from lowpanbudget.findings.audit import Audit
from lowpanbudget.findings.known import known_of
from lowpanbudget.findings.watched import watched
from lowpanbudget.layers.link.mac import FrameType
from lowpanbudget.layers.link.stations import network_text
from lowpanbudget.shown import LINK_ADDRESS
from lowpanbudget.values import dataclass, field, replace


@dataclass(frozen=True, slots=True)
class ListedFrame:
    """A frame of a capture in a line.

    ``source`` and ``destination`` are those on the link, None where it names none. ``octets`` are those on the air, FCS
    included, ``room`` how many more a data frame could have had up to the largest frame and datagram, None
    for others. ``flow`` tells the datagram's ends.
    ``heard_as`` is the frame under which another receiver heard the same sending, ``receiver`` who heard this one.
    ``findings`` are the names of what an audit finds in it, ``fault`` is what ended reading. ``network`` is the PAN ID
    that it is of, an acknowledgement's that of the frame that it answers; None where nothing tells.
    """

    number: int
    time_ns: int | None
    source: bytes | None = field(metadata=LINK_ADDRESS)
    destination: bytes | None = field(metadata=LINK_ADDRESS)
    carries: str
    octets: int
    room: int | None
    flow: str
    receiver: str | None
    heard_as: int | None
    findings: tuple[str, ...] = ()
    fault: WireError | None = None
    network: str | None = None


@dataclass(frozen=True, slots=True)
class FrameList:
    """The ``frames`` of a capture that were asked for, of ``total`` that it has.

    ``first_ns`` is the time of its first frame, asked for or not. ``receptions`` are what each of several receivers
    heard. Room was counted to frames as large as the design's, else to the ``assumed`` ones, by what each frame tells
    of its PHY. ``notices`` are what reading the file noticed: that it is cut, say.
    """

    frames: tuple[ListedFrame, ...]
    total: int
    first_ns: int | None
    receptions: tuple[Reception, ...] = ()
    assumed: tuple[int, ...] = ()
    notices: tuple[ReadingNotice, ...] = ()


def list_frames(capture: "Capture", **known: "Unpack[TraceOptions]") -> FrameList:
    """Return the frames of a capture, or those of the node, flow and time asked for, each as a line of a list.

    All is read before it is returned: the last frame may tell what is found in the first. Memory grows with the list,
    by some 0.8 kB a frame. ``capture`` and what is ``known`` beside it are those of ``follow``. Raises
    ``RequestError`` as it does.
    """
    check_known(known, "list_frames")
    trace = Trace(**known)
    listed: list[ListedFrame] = []
    hits: dict[int, tuple[str, ...]] = {}
    same: dict[Any, Any] = {}  # what thousands of frames have alike is kept once

    def seen(frames: tuple[int, ...], rule: str, _: str) -> None:
        for number in frames:
            names = hits.get(number, ())
            if rule not in names:
                names = (*names, rule)
                hits[number] = same.setdefault(names, names)

    room, networks = RoomLeft(trace.design), Networks()
    audit = Audit(known_of(trace, trace.design, trace.timeout_s), tallies=watched(trace, seen=seen))
    total, first_ns = 0, None
    with CaptureFile.of(capture) as records:
        for sighting in trace.follow(records):
            total += 1
            if first_ns is None:
                first_ns = sighting.record.time_ns
            audit.follow(sighting)
            pan = networks.heard(sighting)
            if not sighting.outside:
                network = None if pan is None else network_text(pan)
                listed.append(_listed(sighting, network, room, same))
        notices = records.notices
    total += trace.network.left_out
    found = {finding.name for finding in audit.close()}
    for place, one in enumerate(listed):
        names = tuple(name for name in hits.get(one.number, ()) if name in found)
        if names:
            listed[place] = replace(one, findings=same.setdefault(names, names))
    return FrameList(tuple(listed), total, first_ns, trace.receptions, room.assumed, notices)


def _listed(
    sighting: Sighting, network: str | None, room: RoomLeft, same: dict[Any, Any]
) -> ListedFrame:
    body, mac = sighting.body, None if sighting.example is None else sighting.example.mac
    is_data = mac is not None and mac.frame_type == FrameType.DATA
    source = body.source if mac is None else mac.source
    destination = body.destination if mac is None else mac.destination
    carries, flow = carried(sighting), "" if sighting.flow is None else str(sighting.flow)
    return ListedFrame(
        sighting.number, sighting.record.time_ns,
        same.setdefault(source, source), same.setdefault(destination, destination),
        same.setdefault(carries, carries), octets_on_air(sighting),
        room.of(sighting) if is_data else None, same.setdefault(flow, flow),
        sighting.record.receiver, sighting.heard_as, fault=sighting.fault, network=same.setdefault(network, network),
    )  # fmt: skip
