"""The frames of a capture as a list: of each where it goes, what it carries, its room, and what is found in it."""

from collections.abc import Iterator
from typing import Unpack

from lowpanbudget.capture.carried import carried
from lowpanbudget.capture.files.reading import Capture, CaptureFile
from lowpanbudget.capture.follow.receivers import Reception
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.trace_options import TraceOptions, check_known
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.sequences import octets_on_air
from lowpanbudget.errors import WireError
from lowpanbudget.findings.audit import Audit
from lowpanbudget.findings.scene import known_of
from lowpanbudget.findings.watched import watched
from lowpanbudget.layers.link.mac import FrameType
from lowpanbudget.values import dataclass, replace


@dataclass(frozen=True, slots=True)
class ListedFrame:
    """A frame of a capture in a line.

    ``source`` and ``destination`` are those on the link, None where it names none. ``octets`` are those on the air, FCS
    included, ``room`` how many more a data frame could have had, None for others. ``flow`` tells the datagram's ends.
    ``heard_as`` is the frame under which another receiver heard the same sending, ``receiver`` who heard this one.
    ``findings`` are the names of what an audit finds in it, ``fault`` is what ended reading.
    """

    number: int
    time_ns: int | None
    source: bytes | None
    destination: bytes | None
    carries: str
    octets: int
    room: int | None
    flow: str
    receiver: str | None
    heard_as: int | None
    findings: tuple[str, ...] = ()
    fault: WireError | None = None


@dataclass(frozen=True, slots=True)
class FrameList:
    """The ``frames`` of a capture that were asked for, of ``total`` that it has.

    ``first_ns`` is the time of its first frame, asked for or not. ``receptions`` are what each of several receivers
    heard.
    """

    frames: tuple[ListedFrame, ...]
    total: int
    first_ns: int | None
    receptions: tuple[Reception, ...] = ()


def list_frames(capture: Capture, **known: Unpack[TraceOptions]) -> FrameList:
    """Return the frames of a capture, or those of the node, flow and time asked for, each as a line of a list.

    Memory grows with the list. ``capture`` and what is ``known`` beside it are those of ``follow``. Raises
    ``RequestError`` as it does.
    """
    check_known(known, "list_frames")
    trace = Trace(**known)
    listed: list[ListedFrame] = []
    hits: dict[int, dict[tuple[str, str], None]] = {}

    def seen(frames: tuple[int, ...], rule: str, subject: str) -> None:
        for number in frames:
            hits.setdefault(number, {})[rule, subject] = None

    audit = Audit(known_of(trace, trace.design, trace.timeout_s), tallies=watched(trace, seen=seen))
    total, first_ns = 0, None
    with CaptureFile.of(capture) as records:
        for sighting in trace.follow(records):
            total += 1
            if first_ns is None:
                first_ns = sighting.record.time_ns
            audit.follow(sighting)
            if not sighting.outside:
                listed.append(_listed(sighting, audit.known.largest))
    found = {finding.name for finding in audit.close()}
    frames = tuple(
        replace(one, findings=tuple(_names(hits.get(one.number, {}), found))) for one in listed
    )
    return FrameList(frames, total, first_ns, trace.receptions)


def _names(hits: dict[tuple[str, str], None], found: set[str]) -> Iterator[str]:
    """Yield the findings that there are of those that a frame had a part in, each once."""
    yield from (name for name in dict.fromkeys(rule for rule, _ in hits) if name in found)


def _listed(sighting: Sighting, largest: int) -> ListedFrame:
    body, mac = sighting.body, None if sighting.example is None else sighting.example.mac
    octets = octets_on_air(sighting)
    is_data = mac is not None and mac.frame_type == FrameType.DATA
    return ListedFrame(
        sighting.number, sighting.record.time_ns,
        body.source if mac is None else mac.source, body.destination if mac is None else mac.destination,
        carried(sighting), octets, max(largest - octets, 0) if is_data else None,
        "" if sighting.flow is None else str(sighting.flow),
        sighting.record.receiver, sighting.heard_as, fault=sighting.fault,
    )  # fmt: skip
