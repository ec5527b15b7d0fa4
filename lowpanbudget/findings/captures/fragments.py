"""Fragments that a receiver cannot place, and those that need not be, or should not."""

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import Env
from lowpanbudget.errors import RequestError, WireError
from lowpanbudget.findings import concerns, faults
from lowpanbudget.findings.captures.sizes import counts_compressed, payload_start
from lowpanbudget.findings.datagrams import HeardDatagram, first_frame, hop_of, numbers_of
from lowpanbudget.findings.finding import Certainty, Hit
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.rule import OWN_FAULT, FaultOf, Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.wording import octets_text
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd.messages import RouterAdvertisement
from lowpanbudget.layers.link.control import SEQUENCE_NUMBERS
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan import fragment
from lowpanbudget.layers.lowpan.fragment import FRAG1, EndBeyond, OffsetBeyond
from lowpanbudget.stack.comparison import is_generic, mesh_octets, methods
from lowpanbudget.stack.convert import compress
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.stack.pieces import (
    Fate,
    FragmentArrival,
    FragmentedDatagram,
    SentFragment,
)
from lowpanbudget.stack.sent import IN_PROGRESS_S
from lowpanbudget.values import dataclass, field

_MOST_WRITTEN = 512  # octets; of more the shortest byte code takes long to find

FRAGMENTS = Subject("fragments")


class _FragmentEnd(NamedTuple):
    """Where the last fragment of a datagram ended, in which frame; ``compressed``: offsets count octets on the air."""

    end: int = -1
    number: int = 0
    compressed: bool = False


FragmentEnds = Recent[tuple[bytes | None, int], _FragmentEnd]  # by source and tag


@FRAGMENTS.rule("fragment-offset-wrong", FragmentArrival, memory=Recent)
def fragment_ends(memory: FragmentEnds, scene: Scene, arrival: FragmentArrival) -> None:
    """Remember where fragments end, and what their offsets count: ``datagram-size-too-small`` tells of that."""
    fragment_of, datagram, _ = arrival
    key = datagram.key.source, datagram.key.tag
    before = memory.get(key)
    otherwise = before is not None and before.compressed and not fragment_of.first
    compressed = otherwise or counts_compressed(datagram)
    memory[key] = _FragmentEnd(fragment_of.end, scene.number, compressed)


@FRAGMENTS.rule("fragment-offset-wrong", Noticed("fragment-not-multiple-of-8"))
def fragment_not_multiple(memory: FragmentEnds, scene: Scene, notice: Notice) -> Hits:
    """Take the notice of the decoder."""
    tag = faults.tag_of(scene.payload)
    here = None if tag is None else memory.get((scene.link_source, tag))
    if here is None or not here.compressed:
        yield Hit(notice.text, (), scene.sender)


@FRAGMENTS.rule("fragment-offset-wrong", OWN_FAULT, FaultOf("fragments-disagree"))
def fragment_offset_wrong(memory: FragmentEnds, scene: Scene, fault: WireError) -> Hits:
    """Take faults, and compare the offset with the end of the fragment before."""
    tag = faults.tag_of(scene.payload)
    before = None if tag is None else memory.get((scene.link_source, tag))
    end, number, _ = before or _FragmentEnd()
    evidence, frames = [payload_start(scene)], [scene.number]
    if _counts_octets(fault, end):
        evidence.append(f"the fragment before ended at octet {end}: the offset counts octets")
        frames.insert(0, number)
    elif isinstance(fault.about, EndBeyond):
        return
    yield Hit(fault.message, tuple(evidence), scene.sender, tuple(frames))


def _counts_octets(fault: WireError, end: int) -> bool:
    """Return whether an offset that does not fit is, taken as octets, where the fragment before ended."""
    about = fault.about
    return isinstance(about, OffsetBeyond | EndBeyond) and about.offset // fragment.UNIT == end


@dataclass(slots=True)
class HopFragments:
    """Datagrams that are open on a hop, the last few, and the sequence numbers of frames that brought of them."""

    open: list[FragmentedDatagram] = field(default_factory=list)
    sequences: dict[int, int | None] = field(default_factory=dict)

    def beside(self, datagram: FragmentedDatagram, number: int) -> list[FragmentedDatagram]:
        """Return what else is open on the hop of a datagram, of which this frame brings something."""
        if not any(one is datagram for one in self.open):
            still = [one for one in self.open if one.fate is Fate.OPEN]
            if not still or len(self.sequences) > _MOST_NUMBERS:
                self.sequences = {number: self.sequences[number]}
            self.open = [*still[-_MOST_BESIDE:], datagram]
        return [one for one in self.open if one is not datagram]

    def in_turn(self, parts: Sequence[SentFragment]) -> bool:
        """Return whether these fragments went one directly after the other, by their sequence numbers."""
        numbers = [self.sequences.get(part.mark.number) for part in parts]
        return all(
            one is not None and other is not None and (other - one) % SEQUENCE_NUMBERS == 1
            for one, other in pairwise(numbers)
        )

    def last_of(self, tag: int | None) -> SentFragment | None:
        """Return the last fragment of what is open under a tag; None without one."""
        return next((one.fragments[-1] for one in self.open if one.key.tag == tag), None)


HopsOfFragments = FirstNamed[tuple[bytes | None, bytes | None], HopFragments]
_MOST_BESIDE, _MOST_NUMBERS = 3, 1024


@FRAGMENTS.rule("fragments-disagree", OWN_FAULT, memory=FirstNamed)
def fragment_ends_behind(memory: HopsOfFragments, scene: Scene, fault: WireError) -> Hits:
    """Take faults, unless the offset explains them; say where the offset is right."""
    about, hop = fault.about, memory.get((scene.link_source, scene.link_destination))
    before = None if hop is None else hop.last_of(faults.tag_of(scene.payload))
    end = -1 if before is None else before.end
    if not isinstance(about, EndBeyond) or _counts_octets(fault, end):
        return
    evidence, frames = [payload_start(scene)], [scene.number]
    if before is not None and end == about.offset:
        evidence.append(f"it begins at octet {end}, where the fragment before ended")
        frames.insert(0, before.mark.number)
    behind = octets_text(about.end - about.size)
    cause = f"the fragment ends at octet {about.end}, {behind} behind datagram_size {about.size}"
    yield Hit(cause, tuple(evidence), scene.sender, tuple(frames), certainty=Certainty.FRAME)


@FRAGMENTS.rule("fragments-disagree", FragmentArrival)
def fragments_of_one(
    memory: HopsOfFragments, scene: Scene, arrival: FragmentArrival
) -> Hits | None:
    """Look whether fragments of two datagrams that are open make up one, without a gap and in turn."""
    _, datagram, repeated = arrival
    key = datagram.key
    hop = None if repeated else memory.entry((key.source, key.destination), HopFragments)
    if hop is None:
        return None
    hop.sequences[scene.number] = scene.sequence
    if len(hop.open) == 1 and hop.open[0] is datagram:
        return None
    for other in hop.beside(datagram, scene.number):
        parts = sorted([*datagram.fragments, *other.fragments], key=_place)
        what = _disagreement(hop, datagram, other, parts)
        if what:
            for one in (datagram, other):
                scene.known.losses.explain((key.source, key.destination), one.key.tag)
            evidence = sorted(f"{one}: octets {_ranges(one)}" for one in (datagram, other))
            frames = tuple(part.mark.number for part in parts)
            cause = f"fragments of one datagram have different {what}"
            return (Hit(cause, tuple(evidence), hop_of(datagram), frames),)
    return None


def _disagreement(
    hop: HopFragments,
    one: FragmentedDatagram,
    other: FragmentedDatagram,
    parts: Sequence[SentFragment],
) -> str:
    """Return what differs in fragments, these, that make up one datagram; nothing where they are of two.

    Where two datagrams of one size lose fragments, the rest of both may fit: that needs their sequence numbers.
    """
    sizes, tags = {one.size, other.size}, {one.key.tag, other.key.tag}
    whole = (
        parts[0].start == 0
        and parts[-1].end in sizes
        and all(a.end == b.start or (a.first and not a.end) for a, b in pairwise(parts))
        and all(0 <= b.time_s - a.time_s <= IN_PROGRESS_S for a, b in pairwise(parts))
    )
    if not whole or Fate.WHOLE in {one.fate, other.fate}:
        return ""
    if len(sizes) == 2 and len(tags) == 1:
        return "sizes"
    return "tags" if len(sizes) == 1 and len(tags) == 2 and hop.in_turn(parts) else ""


def _ranges(datagram: FragmentedDatagram) -> str:
    parts = sorted(datagram.fragments, key=_place)
    return ", ".join(f"{part.start}-{part.end - 1}" for part in parts)


def _place(part: SentFragment) -> int:
    return part.start


@FRAGMENTS.rule("last-fragment-needless", FragmentedDatagram, varies=True)
def last_fragment_needless(scene: Scene, datagram: FragmentedDatagram) -> Hits | None:
    """Look at the last two fragments of a whole datagram."""
    if datagram.fate is not Fate.WHOLE or len(datagram.fragments) < 3:
        return None
    *_, before, last = sorted(datagram.fragments, key=lambda one: one.start)
    octets = last.end - last.start
    spare = scene.largest_sent - before.mark.frame_octets - scene.missing_fcs
    if octets < fragment.UNIT and spare >= octets:
        cause = f"the last fragment brings {octets_text(octets)}, the frame before it had {spare} to spare"
        return (Hit(cause, (str(datagram),), hop_of(datagram), numbers_of(datagram)),)
    return None


@FRAGMENTS.rule("fragmented-without-need", FragmentedDatagram, memory=Recent)
def fragmented_without_need(
    _cut: object, scene: Scene, datagram: FragmentedDatagram
) -> Hits | None:
    """Put the frame together as it could have been; of recoverable fragments ``recovery`` does it."""
    if datagram.fate is not Fate.WHOLE or len(datagram.fragments) < 2:
        return None
    first, *others = sorted(datagram.fragments, key=_place)
    if not first.first or _is_coded(datagram) or _is_cut(datagram):
        return None
    rest = sum(other.end - other.start for other in others)
    single = first.mark.frame_octets - FRAG1.octets + rest + scene.missing_fcs
    return _needless(scene, datagram, single)


@FRAGMENTS.rule("fragmented-without-need", HeardDatagram, concerns=concerns.part)
def coded_without_need(_cut: object, scene: Scene, heard: HeardDatagram) -> Hits | None:
    """Write the byte code once more: it ends with the frame (RFC 7400 section 2), so the later fragments have none."""
    datagram = scene.fragmented
    if datagram is None or datagram.fate is not Fate.WHOLE or len(heard.octets) > _MOST_WRITTEN:
        return None
    frame = first_frame(datagram)
    if frame is None or len(datagram.fragments) < 2 or not _is_coded(datagram):
        return None
    env = Env(
        frame.link_source, frame.link_destination, None, frame.contexts, scene.sighting.decoder.root
    )
    try:
        payload = compress(heard.octets, env, **methods(frame)).octets
    except RequestError:
        return None
    first = min(datagram.fragments, key=_place).mark
    around = first.frame_octets - first.octets + mesh_octets(frame) + scene.missing_fcs
    return _needless(scene, datagram, around + len(payload))


def _is_coded(datagram: FragmentedDatagram) -> bool:
    frame = first_frame(datagram)
    return frame is not None and any(map(is_generic, frame.layers))


def _is_cut(datagram: FragmentedDatagram) -> bool:
    """Return whether its first fragment ends within its headers, which is told."""
    frame = first_frame(datagram)
    return frame is not None and faults.headers_cut(frame.fault)


def _needless(scene: Scene, datagram: FragmentedDatagram, single: int) -> Hits:
    spare = scene.largest_sent - single
    if spare >= 0:
        count = len(datagram.fragments)
        cause = f"{count} fragments make a frame of {single} octets, {spare} to spare"
        yield Hit(cause, (str(datagram),), hop_of(datagram), numbers_of(datagram))


@FRAGMENTS.rule("group-datagram-fragmented", FragmentArrival, varies=True)
def group_datagram_fragmented(scene: Scene, arrival: FragmentArrival) -> Hits | None:
    """Look at the destination of first fragments."""
    if arrival.fragment.first and scene.mac is not None and scene.mac.destination == BROADCAST:
        datagram, tag = arrival.datagram, arrival.datagram.key.tag
        cause = f"a datagram of {octets_text(datagram.size)} goes to all neighbours in fragments"
        return (Hit(cause, (f"tag {tag:#06x}",), scene.sender),)
    return None


@FRAGMENTS.rule("advertisement-fragmented", Icmpv6)
def advertisement_fragmented(scene: Scene, message: Icmpv6) -> Hits:
    """Look whether the message came in several frames."""
    datagram, content = scene.datagram, message.message
    if not isinstance(content, RouterAdvertisement) or datagram is None or datagram.fragments < 2:
        return
    cause = (
        f"a router advertisement of {len(datagram.octets)} octets took {datagram.fragments} frames"
    )
    options = ", ".join(type(option).__name__ for option in content.options)
    yield Hit(cause, (f"options: {options}",), scene.sender, datagram.numbers)
