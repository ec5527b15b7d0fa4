"""Fragments that a receiver cannot place, and those that need not be, or should not."""

from lowpanbudget.capture.recent import Recent
from lowpanbudget.errors import WireError
from lowpanbudget.findings import faults
from lowpanbudget.findings.datagrams import hop_of, numbers_of
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.rule import OWN_FAULT, Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.wording import octets_text
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd.messages import RouterAdvertisement
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan import fragment
from lowpanbudget.layers.lowpan.fragment import FRAG1, OffsetBeyond, SizeTooSmall
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.stack.pieces import Fate, FragmentArrival, FragmentedDatagram

FRAGMENTS = Subject("fragments")


def _start(scene: Scene) -> str:
    return f"payload starts {(scene.payload or b'')[:5].hex(' ')}"


@FRAGMENTS.rule("datagram-size-impossible", FragmentArrival)
def datagram_size_over_mtu(scene: Scene, arrival: FragmentArrival) -> Hits:
    """Look at the size of fragments that can be read."""
    size = arrival.datagram.size
    if size > ipv6.MINIMUM_MTU:
        cause = f"datagram_size {size} is over the MTU of {ipv6.MINIMUM_MTU}"
        yield Hit(cause, (), scene.sender, severity=Severity.RISK)


@FRAGMENTS.rule("datagram-size-impossible", OWN_FAULT, varies=True)
def datagram_size_impossible(scene: Scene, fault: WireError) -> Hits:
    """Take faults, and tell a size that spills from its bits."""
    size, cause = faults.spilled(scene.payload), fault.message
    if size:
        cause = f"a datagram_size of {size} spills from its 11 bits into the dispatch ({cause})"
    yield Hit(cause, (_start(scene),), scene.sender)


@FRAGMENTS.rule("datagram-size-too-small", OWN_FAULT, varies=True)
def datagram_size_too_small(scene: Scene, fault: WireError) -> Hits:
    """Take the decoder's fault."""
    if not isinstance(fault.about, SizeTooSmall):
        return
    octets, size = fault.about
    cause = f"the first fragment alone stands for {octets} octets, datagram_size says {size}"
    wire = len(scene.payload or b"") - FRAG1.octets
    evidence = [f"{wire} octets behind the fragment header on the air"]
    if wire <= size:
        evidence.append("the size fits the compressed form")
    yield Hit(cause, tuple(evidence), scene.sender)


@FRAGMENTS.rule("datagram-size-too-small", FragmentArrival)
def offset_counts_compressed(scene: Scene, arrival: FragmentArrival) -> Hits:
    """Compare the second fragment's offset with the first's two lengths."""
    second, datagram, repeated = arrival
    if second.first or repeated or len(datagram.fragments) != 2:
        return
    first = datagram.fragments[0]
    wire = first.mark.octets - FRAG1.octets
    if not first.first or second.start == first.end or wire >= first.end:
        return
    if second.start == wire // fragment.UNIT * fragment.UNIT:
        cause = (
            f"the second starts at {second.start}, by the {wire} octets that the first took on the air; "
            f"the first stands for {first.end}"
        )
        yield Hit(cause, (str(datagram),), scene.sender, (first.mark.number, second.mark.number))


FragmentEnds = Recent[tuple[bytes | None, int], tuple[int, int]]  # by source and tag: end, frame


@FRAGMENTS.rule("fragment-offset-wrong", FragmentArrival, memory=Recent)
def fragment_ends(memory: FragmentEnds, scene: Scene, arrival: FragmentArrival) -> None:
    """Remember where fragments end."""
    key = arrival.datagram.key
    memory[key.source, key.tag] = (arrival.fragment.end, scene.number)


@FRAGMENTS.rule("fragment-offset-wrong", Noticed("fragment-not-multiple-of-8"))
def fragment_not_multiple(_memory: FragmentEnds, scene: Scene, notice: Notice) -> Hits:
    """Take the notice of the decoder."""
    yield Hit(notice.text, (), scene.sender)


@FRAGMENTS.rule("fragment-offset-wrong", OWN_FAULT)
def fragment_offset_wrong(memory: FragmentEnds, scene: Scene, fault: WireError) -> Hits:
    """Take faults, and compare the offset with the end of the fragment before."""
    beyond = fault.about.offset if isinstance(fault.about, OffsetBeyond) else None
    tag = faults.tag_of(scene.payload)
    evidence = [_start(scene)]
    frames = [scene.number]
    if beyond is not None and tag is not None:
        end, number = memory.get((scene.link_source, tag), (-1, 0))
        if end == beyond // fragment.UNIT:
            evidence.append(f"the fragment before ended at octet {end}: the offset counts octets")
            frames.insert(0, number)
    yield Hit(fault.message, tuple(evidence), scene.sender, tuple(frames))


@FRAGMENTS.rule("last-fragment-needless", FragmentedDatagram, varies=True)
def last_fragment_needless(scene: Scene, datagram: FragmentedDatagram) -> Hits:
    """Look at the last two fragments of a whole datagram."""
    if datagram.fate is not Fate.WHOLE or len(datagram.fragments) < 3:
        return
    *_, before, last = sorted(datagram.fragments, key=lambda one: one.start)
    octets = last.end - last.start
    spare = scene.known.largest - before.mark.frame_octets - scene.missing_fcs
    if octets < fragment.UNIT and spare >= octets:
        cause = f"the last fragment brings {octets_text(octets)}, the frame before it had {spare} to spare"
        yield Hit(cause, (str(datagram),), hop_of(datagram), numbers_of(datagram))


@FRAGMENTS.rule("fragmented-without-need", FragmentedDatagram, varies=True)
def fragmented_without_need(scene: Scene, datagram: FragmentedDatagram) -> Hits:
    """Put the frame together as it could have been."""
    if datagram.fate is not Fate.WHOLE or len(datagram.fragments) < 2:
        return
    first, *others = sorted(datagram.fragments, key=lambda one: one.start)
    rest = sum(other.end - other.start for other in others)
    single = first.mark.frame_octets - FRAG1.octets + rest + scene.missing_fcs
    spare = scene.known.largest - single
    if first.first and spare >= 0:
        count = len(datagram.fragments)
        cause = f"{count} fragments make a frame of {single} octets, {spare} to spare"
        yield Hit(cause, (str(datagram),), hop_of(datagram), numbers_of(datagram))


@FRAGMENTS.rule("group-datagram-fragmented", FragmentArrival, varies=True)
def group_datagram_fragmented(scene: Scene, arrival: FragmentArrival) -> Hits:
    """Look at the destination of first fragments."""
    if arrival.fragment.first and scene.mac is not None and scene.mac.destination == BROADCAST:
        yield Hit(f"a {arrival.datagram} goes to all neighbours in fragments", (), scene.sender)


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
