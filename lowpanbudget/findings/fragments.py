"""Findings about datagrams cut into fragments."""

from typing import Any

from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError
from lowpanbudget.findings import faults
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.pieces import Assembly, Piece
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Known, Scene, Whole, named
from lowpanbudget.layers.internet import chain, ipv6
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd import RouterAdvertisement
from lowpanbudget.layers.lowpan import fragment
from lowpanbudget.layers.lowpan.fragment import FRAG1
from lowpanbudget.stack.found import Notice

LIMIT_S = 60  # RFC 4944 section 5.3
_BROADCAST = b"\xff\xff"


def _told(assembly: Assembly) -> str:
    return f"datagram of {assembly.size} octets, tag {assembly.key[3]:#06x}"


def _hop(assembly: Assembly) -> str:
    return f"{named(assembly.key[0])} to {named(assembly.key[1])}"


class DatagramSizeImpossible(Rule):
    """A fragment gives a datagram size that cannot be.

    What it sees: a datagram_size below the 40 octets of an IPv6 header; over 1280, which no 6LoWPAN link carries
    unasked; or over 2047, so that it spills from its 11 bits into the dispatch.
    Why it costs: receivers drop the fragments, or reserve memory for what never comes.
    When it is no fault: a size from 1281 to 2047 among nodes whose MTU was raised on purpose is only a risk.
    Example: dispatch 0xe8 in front of what continues as a FRAGN: a size of 2048 and more.
    What to do: Give the length of the whole uncompressed datagram, and cut datagrams over the MTU at the IPv6 layer.
    """

    name = "datagram-size-impossible"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = fragment.CITE
    reads = (WireError, Piece)
    varies = True

    def check(self, scene: Scene, thing: WireError | Piece) -> Hits:
        """Look at the size of readable fragments, and at faults."""
        if isinstance(thing, Piece):
            size = scene.assembly.size if scene.assembly is not None else 0
            if size <= ipv6.MINIMUM_MTU:
                return NONE
            cause = f"datagram_size {size} is over the MTU of {ipv6.MINIMUM_MTU}"
            return (Hit(cause, (), scene.sender, severity=Severity.RISK),)
        if faults.owner(thing, scene) != self.name:
            return NONE
        size = faults.spilled(scene.payload) or 0
        cause = thing.message
        if size:
            cause = f"a datagram_size of {size} spills from its 11 bits into the dispatch ({thing.message})"
        octets = (scene.payload or b"")[:5].hex(" ")
        return (Hit(cause, (f"payload starts {octets}",), scene.sender),)


class DatagramSizeTooSmall(Rule):
    """Sizes or offsets of fragments count compressed octets.

    What it sees: a first fragment that expands to more octets than its datagram_size; or a second fragment whose offset
    is what the first one carried on the air, not what it stands for.
    Why it costs: the peer puts fragments in the wrong place, tens of octets off, and never gets a whole datagram.
    When it is no fault: recoverable fragments (RFC 8931) do count compressed octets; they are not looked at here.
    Example: a first fragment of 96 octets on the air that stands for 136, then a fragment with offset 96.
    What to do: Count size and offset in octets of the datagram before compression (RFC 6282 section 2).
    """

    name = "datagram-size-too-small"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = fragment.CITE
    reads = (WireError, Piece)
    varies = True

    def check(self, scene: Scene, thing: WireError | Piece) -> Hits:
        """Take the decoder's fault; compare the second fragment's offset with the first's two lengths."""
        if isinstance(thing, WireError):
            sizes = faults.expands(thing) if faults.owner(thing, scene) == self.name else None
            if sizes is None:
                return NONE
            cause = f"the first fragment alone stands for {sizes[0]} octets, datagram_size says {sizes[1]}"
            payload = scene.payload or b""
            wire = len(payload) - FRAG1.octets
            evidence = [f"{wire} octets behind the fragment header on the air"]
            if wire <= sizes[1]:
                evidence.append("the size fits the compressed form")
            return (Hit(cause, tuple(evidence), scene.sender),)
        assembly = scene.assembly
        if assembly is None or thing.first or thing.repeated or len(assembly.pieces) != 2:
            return NONE
        first = assembly.pieces[0]
        if not first.first or thing.start == first.end:
            return NONE
        if first.wire // 8 * 8 != thing.start or first.wire >= first.end:
            return NONE
        cause = f"the second starts at {thing.start}, what the first took on the air; it stands for {first.end}"
        return (Hit(cause, (_told(assembly),), scene.sender, (first.number, thing.number)),)


class FragmentOffsetWrong(Rule):
    """The offset of a fragment is not in units of 8 octets.

    What it sees: a fragment that is not the last and ends at no multiple of 8; or an offset beyond the datagram whose
    number, taken as octets, is just where the fragment before it ended.
    Why it costs: the next fragment cannot be placed: the datagram is never whole.
    When it is no fault: never.
    Example: datagram_offset 96 after 96 octets: it stands for octet 768.
    What to do: Divide the offset by 8; cut every fragment but the last at a multiple of 8 octets of the datagram.
    """

    name = "fragment-offset-wrong"
    severity = Severity.FAILURE
    certainty = Certainty.CAPTURE
    cite = fragment.CITE
    reads = (WireError, Notice, Piece)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.ends: dict[tuple[bytes | None, int], tuple[int, int]] = {}

    def check(self, scene: Scene, thing: WireError | Notice | Piece) -> Hits:
        """Remember where fragments end; take notices and faults."""
        if isinstance(thing, Piece):
            if scene.assembly is not None:
                if len(self.ends) > 256:
                    self.ends.clear()
                self.ends[scene.frame.link_source, scene.assembly.key[3]] = (
                    thing.end,
                    thing.number,
                )
            return NONE
        if isinstance(thing, Notice):
            if thing.name != "fragment-not-multiple-of-8":
                return NONE
            return (Hit(thing.text, (), scene.sender),)
        if faults.owner(thing, scene) != self.name:
            return NONE
        octets, beyond = scene.payload or b"", faults.offset_beyond(thing)
        evidence = [f"payload starts {octets[:5].hex(' ')}"]
        frames: tuple[int, ...] = (scene.number,)
        if beyond is not None and len(octets) > 4:
            tag = int.from_bytes(octets[2:4], "big")
            before = self.ends.get((scene.frame.link_source, tag))
            if before is not None and before[0] == beyond // fragment.UNIT:
                evidence.append(
                    f"the fragment before ended at octet {before[0]}: the offset counts octets"
                )
                frames = (before[1], scene.number)
        return (Hit(thing.message, tuple(evidence), scene.sender, frames),)


class LastFragmentNeedless(Rule):
    """The last fragment holds less than the one before it had room for.

    What it sees: a last fragment of fewer than 8 octets that would have fitted behind the octets of the fragment
    before it, whose frame has so much to spare.
    Why it costs: a whole frame, with headers, airtime and its own chance of loss, for a few octets.
    When it is no fault: the sender keeps the room for headers that grow on the way; a different limit was configured.
    Example: fragments of 96, 96 and 4 octets, and the second frame ends 9 octets before the limit.
    What to do: Cut only the fragments before the last at multiples of 8; the last may have any length.
    """

    name = "last-fragment-needless"
    severity = Severity.WASTE
    certainty = Certainty.CAPTURE
    cite = fragment.CITE
    reads = (Assembly,)
    varies = True

    def check(self, scene: Scene, thing: Assembly) -> Hits:
        """Look at the last two pieces of a whole datagram."""
        if thing.state != "whole" or len(thing.pieces) < 3:
            return NONE
        *_, before, last = sorted(thing.pieces, key=lambda one: one.start)
        octets = last.end - last.start
        spare = self.known.largest - before.frame_octets - (0 if scene.fcs else 2)
        if octets >= fragment.UNIT or spare < octets:
            return NONE
        cause = (
            f"the last fragment brings {octets} octets, the frame before it had {spare} to spare"
        )
        return (Hit(cause, (_told(thing),), _hop(thing), thing.numbers),)


class FragmentedWithoutNeed(Rule):
    """A datagram was cut although one frame would have carried it.

    What it sees: a whole datagram whose first frame, without fragment header and with the octets of all other
    fragments, is no longer than the PHY's limit.
    Why it costs: two frames or more instead of one; the datagram is lost when either is.
    When it is no fault: a sender that must leave room for headers of later hops; then the spare octets are few.
    Example: frames of 90 and 35 octets that make one of 112: the decision was taken before compression.
    What to do: Decide after compression, on the size of the real frame with its real MAC header and security.
    """

    name = "fragmented-without-need"
    severity = Severity.WASTE
    certainty = Certainty.CAPTURE
    cite = fragment.CITE
    reads = (Assembly,)
    varies = True

    def check(self, scene: Scene, thing: Assembly) -> Hits:
        """Put the frame together as it could have been."""
        if thing.state != "whole" or len(thing.pieces) < 2:
            return NONE
        pieces = sorted(thing.pieces, key=lambda one: one.start)
        if not pieces[0].first:
            return NONE
        rest = sum(one.end - one.start for one in pieces[1:])
        single = pieces[0].frame_octets - FRAG1.octets + rest + (0 if scene.fcs else 2)
        if single > self.known.largest:
            return NONE
        spare = self.known.largest - single
        cause = f"{len(pieces)} fragments make a frame of {single} octets, {spare} to spare"
        return (Hit(cause, (_told(thing),), _hop(thing), thing.numbers),)


class FragmentsTooSlow(Rule):
    """The fragments of one datagram come too far apart in time.

    What it sees: more time between the first and the last fragment of a datagram than the receiver waits: 60 s, which
    RFC 4944 allows at most, or what is configured.
    Why it costs: the receiver gives up before the last fragment: large datagrams always fail, small ones work.
    When it is no fault: a clock of the capture that jumps.
    Example: 14 fragments at one every 5 s: 65 s.
    What to do: Send the fragments of one datagram together; check that the timer is 60 s and not a fraction.
    """

    name = "fragments-too-slow"
    severity = Severity.FAILURE
    certainty = Certainty.CAPTURE
    cite = fragment.CITE
    reads = (Assembly, Piece)
    varies = True

    def check(self, scene: Scene, thing: Assembly | Piece) -> Hits:
        """Compare the time from first to last with the limit, as soon as it is passed."""
        assembly = scene.assembly
        if not isinstance(thing, Piece) or assembly is None or len(assembly.pieces) < 2:
            return NONE
        waited = thing.time_s - assembly.pieces[0].time_s
        if not waited > self.known.timeout_s:  # also without times
            return NONE
        cause = f"a fragment comes {waited:.1f} s after the first, receivers wait {self.known.timeout_s:g} s"
        return (Hit(cause, (_told(assembly),), _hop(assembly), assembly.numbers),)


class FragmentsUnfinished(Rule):
    """Datagrams in fragments are not completed.

    What it sees: datagrams of which fragments are missing when the time for reassembly is over. It is a risk from
    three of one sender and receiver on, when they are more than one in ten; fewer are a remark. A first fragment
    with nothing behind it is named as such.
    Why it costs: one lost fragment loses the datagram, and its buffer stays taken until the timer ends.
    When it is no fault: the capture missed frames that the receiver got; those that the end of the capture cut off
    are not counted.
    Example: seven datagrams begun, four completed; two of the others have their first fragment alone.
    What to do: Look whether the sender stops (queue too short for all fragments) or the air loses (retransmissions);
    make the datagram smaller.
    """

    name = "fragments-unfinished"
    severity = Severity.RISK
    certainty = Certainty.CAPTURE
    cite = fragment.CITE
    reads = (Assembly,)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.ends: dict[str, list[Any]] = {}

    def check(self, scene: Scene, thing: Assembly) -> Hits:  # noqa: ARG002
        """Count what became of each datagram."""
        if thing.state not in {"whole", "expired"} or (
            thing.key[1] == _BROADCAST and thing.state == "whole"
        ):
            return NONE
        hop = _hop(thing)
        if hop not in self.ends and len(self.ends) >= 256:
            return NONE
        entry = self.ends.setdefault(hop, [0, 0, 0, []])
        entry[0] += 1
        if thing.state == "expired":
            entry[1] += 1
            entry[2] += len(thing.pieces) == 1 and thing.pieces[0].first
            if len(entry[3]) < 12:
                entry[3] += list(thing.numbers[:1])
        return NONE

    def close(self) -> Hits:
        """Judge each hop."""
        for hop, (begun, lost, alone, numbers) in self.ends.items():
            if not lost:
                continue
            heavy = lost >= 3 and lost * 10 > begun
            cause = f"{lost} of {begun} datagrams in fragments were not completed"
            evidence = (f"of {alone} only the first fragment was seen",) if alone else ()
            severity = Severity.RISK if heavy else Severity.REMARK
            yield Hit(cause, evidence, hop, tuple(numbers), severity)


class FragmentRepeated(Rule):
    """Fragments come twice.

    What it sees: a fragment with the same datagram, offset and length as one before, three times or more on one hop.
    Why it costs: airtime; and a receiver that counts octets instead of ranges takes the copy for a missing piece and
    delivers a datagram with a hole.
    When it is no fault: lost acknowledgements; some loss is in every network. Copies of the same frame that the
    capture holds twice, as from two receivers, count too.
    Example: offset 96 of tag 0x0107 twice, and the fragment with offset 192 never.
    What to do: Make sure that reassembly tracks which octets have come; look at the link if copies are many.
    """

    name = "fragment-repeated"
    severity = Severity.REMARK
    certainty = Certainty.CAPTURE
    cite = fragment.CITE
    reads = (Piece,)
    varies = True
    least = 3

    def check(self, scene: Scene, thing: Piece) -> Hits:
        """Take repeats."""
        if not thing.repeated or scene.assembly is None:
            return NONE
        cause = "fragments are repeated octet range by octet range"
        evidence = (f"{_told(scene.assembly)}, octets {thing.start} to {thing.end - 1}",)
        return (Hit(cause, evidence, _hop(scene.assembly)),)


class FragmentsOverlap(Rule):
    """Fragments of one datagram overlap with different extents.

    What it sees: a fragment whose octets overlap those of an earlier one with the same addresses, size and tag, but
    start or end elsewhere.
    Why it costs: a receiver must discard all that it has collected and begin anew with the newest.
    When it is no fault: a sender that restarts and uses the same tag for another datagram of the same size.
    Example: octets 96 to 191, then 144 to 239 of the same tag.
    What to do: Take a new tag for each datagram, and do not cut the same datagram differently when sending it again.
    """

    name = "fragments-overlap"
    severity = Severity.FAILURE
    certainty = Certainty.CAPTURE
    cite = fragment.CITE
    reads = (Assembly,)
    varies = True

    def check(self, scene: Scene, thing: Assembly) -> Hits:  # noqa: ARG002
        """Take assemblies that ended so, unless offsets count compressed octets: that has its own finding."""
        if thing.state != "overlapping":
            return NONE
        first, last = thing.pieces[0], thing.pieces[-1]
        if first.first and last.start == first.wire // 8 * 8 and len(thing.pieces) == 2:
            return NONE
        ranges = ", ".join(f"{one.start}-{one.end - 1}" for one in thing.pieces[-3:])
        return (
            Hit(
                "octet ranges of one datagram overlap",
                (f"{_told(thing)}: {ranges}",),
                _hop(thing),
                thing.numbers,
            ),
        )


class FragmentsMeet(Rule):
    """Several datagrams in fragments come to one receiver at once, and some are lost.

    What it sees: datagrams that were not completed while the same receiver had another one open. It is a risk when
    three or more were lost so, and a remark otherwise.
    Why it costs: a receiver with one or two buffers gives up the datagram in progress when another begins: losses grow
    towards the root, where everything passes.
    When it is no fault: interleaved fragments are legal; they are not a fault by themselves. The capture may have
    missed what the receiver got.
    Example: three children send 300 octets at the same minute; two of the datagrams are never whole.
    What to do: Spread sending times, make messages fit one frame, give the receiver as many buffers as it has children
    that send at once, or let it forward fragments (RFC 8930).
    """

    name = "fragments-meet"
    severity = Severity.RISK
    certainty = Certainty.CAPTURE
    cite = rfc(8930, "2.2")
    reads = (Assembly,)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.lost: dict[bytes | None, list[Any]] = {}

    def check(self, scene: Scene, thing: Assembly) -> Hits:  # noqa: ARG002
        """Count losses beside another open datagram."""
        if thing.state != "expired" or thing.beside < 2:
            return NONE
        receiver = thing.key[1]
        if receiver in self.lost or len(self.lost) < 256:
            entry = self.lost.setdefault(receiver, [0, 0, []])
            entry[0] += 1
            entry[1] = max(entry[1], thing.beside)
            if len(entry[2]) < 12:
                entry[2] += thing.numbers[:1]
        return NONE

    def close(self) -> Hits:
        """Judge each receiver."""
        for receiver, (lost, most, numbers) in self.lost.items():
            cause = (
                f"{lost} datagrams to {named(receiver)} were not completed while others were open, "
                f"up to {most} at once"
            )
            severity = Severity.RISK if lost >= 3 else Severity.REMARK
            yield Hit(cause, (), named(receiver), tuple(numbers), severity)


class GroupDatagramFragmented(Rule):
    """A datagram to all neighbours is cut into fragments.

    What it sees: a fragment whose link destination is the broadcast address.
    Why it costs: nobody acknowledges broadcasts: each fragment is sent once, and one that is lost at one neighbour
    loses the datagram there.
    When it is no fault: never reliable, though it works on a quiet channel.
    Example: a router advertisement of 112 octets to ff02::1 in two frames.
    What to do: Make it fit one frame: fewer options, contexts, unicast answers.
    """

    name = "group-datagram-fragmented"
    severity = Severity.RISK
    certainty = Certainty.FRAME
    cite = rfc(4944, "9")
    reads = (Piece,)
    varies = True

    def check(self, scene: Scene, thing: Piece) -> Hits:
        """Look at the destination of first fragments."""
        if (
            not thing.first
            or scene.mac is None
            or scene.mac.destination != _BROADCAST
            or scene.assembly is None
        ):
            return NONE
        return (
            Hit(f"a {_told(scene.assembly)} goes to all neighbours in fragments", (), scene.sender),
        )


class AdvertisementFragmented(Rule):
    """Router advertisements do not fit one frame.

    What it sees: a Router Advertisement that came in fragments.
    Why it costs: joining depends on it: a node that misses one fragment has no prefix and no context.
    When it is no fault: never needed; sent to one node it is at least acknowledged.
    Example: 16 octets, prefix information 32, two contexts of 16, border router 24, link address 16.
    What to do: Leave out what nodes get by other ways; send contexts in an advertisement of their own.
    """

    name = "advertisement-fragmented"
    severity = Severity.RISK
    certainty = Certainty.CAPTURE
    cite = rfc(6775, "5.4")
    reads = (Icmpv6,)

    def check(self, scene: Scene, thing: Icmpv6) -> Hits:
        """Look whether the message came in several frames."""
        whole = scene.whole
        if (
            not isinstance(thing.message, RouterAdvertisement)
            or whole is None
            or whole.fragments < 2
        ):
            return NONE
        options = ", ".join(type(option).__name__ for option in thing.message.options)
        cause = (
            f"a router advertisement of {len(whole.octets)} octets took {whole.fragments} frames"
        )
        return (Hit(cause, (f"options: {options}",), scene.sender, whole.numbers),)


class LengthsDisagree(Rule):
    """Lengths inside a datagram disagree with what is there.

    What it sees: an IPv6 payload length, of the datagram or of one tunnelled in it, that is not the number of octets
    behind its header; or a UDP length that is not what IPv6 leaves for it.
    Why it costs: receivers cut or drop the datagram; checksums cover the wrong octets.
    When it is no fault: jumbograms, which no 6LoWPAN link carries; octets of padding below IPv6.
    Example: an inner header with the length of the whole datagram: outer headers were counted in.
    What to do: Compute each length from its own header's end; with fragments from datagram_size.
    """

    name = "lengths-disagree"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = rfc(8200, "3")
    reads = (Whole,)

    def check(self, scene: Scene, thing: Whole) -> Hits:
        """Walk the headers; a restored header has its length computed, so only carried ones can be wrong."""
        octets = thing.octets
        length = int.from_bytes(octets[4:6], "big") + ipv6.OCTETS
        if length != len(octets):
            cause = f"the IPv6 header says {length} octets, {len(octets)} are there"
            return (Hit(cause, (octets[:8].hex(" "),), scene.sender, thing.numbers),)
        if octets[6] == ipv6.UDP:
            return self._udp(scene, thing, ipv6.OCTETS, len(octets))
        if octets[6] == ipv6.ICMPV6:
            return NONE
        end = len(octets)
        try:
            for found in chain.walk(octets):
                if found.kind == ipv6.IPV6:
                    inner = int.from_bytes(octets[found.offset + 4 : found.offset + 6], "big")
                    there = end - found.offset - ipv6.OCTETS
                    if inner != there:
                        cause = f"the inner IPv6 header says {inner} octets follow, {there} do"
                        return (
                            Hit(
                                cause,
                                (octets[found.offset :][:8].hex(" "),),
                                scene.sender,
                                thing.numbers,
                            ),
                        )
                elif found.kind == ipv6.UDP:
                    return self._udp(scene, thing, found.offset, end)
                elif found.kind == ipv6.FRAGMENT:
                    return NONE
        except WireError:
            return NONE  # a chain that cannot be walked has its own finding
        return NONE

    def _udp(self, scene: Scene, thing: Whole, at: int, end: int) -> Hits:
        carried = int.from_bytes(thing.octets[at + 4 : at + 6], "big")
        if carried == end - at or end - at < 8:
            return NONE
        cause = f"UDP says {carried} octets, IPv6 leaves {end - at}"
        return (Hit(cause, (thing.octets[at : at + 8].hex(" "),), scene.sender, thing.numbers),)


FRAGMENT_RULES: tuple[type[Rule], ...] = (
    DatagramSizeImpossible,
    DatagramSizeTooSmall,
    FragmentOffsetWrong,
    LastFragmentNeedless,
    FragmentedWithoutNeed,
    FragmentsTooSlow,
    FragmentsUnfinished,
    FragmentRepeated,
    FragmentsOverlap,
    FragmentsMeet,
    GroupDatagramFragmented,
    AdvertisementFragmented,
    LengthsDisagree,
)
