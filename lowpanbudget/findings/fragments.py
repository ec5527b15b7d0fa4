"""Findings about fragments that a receiver cannot put together: sizes and offsets."""

from lowpanbudget.errors import WireError
from lowpanbudget.findings import faults
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.pieces import Piece, told
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Known, Scene
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.lowpan import fragment
from lowpanbudget.layers.lowpan.fragment import FRAG1
from lowpanbudget.stack.found import Notice


class DatagramSizeImpossible(Rule):
    """A fragment gives a datagram size that cannot be.

    What it sees: a datagram_size below the 40 octets of an IPv6 header; over 1280, which no 6LoWPAN link carries
    unasked; or over 2047, so that it spills from its 11 bits into the dispatch.
    Why it costs: receivers drop the fragments, or reserve memory for what never comes.
    When it is no fault: a size from 1281 to 2047 among nodes whose MTU was raised on purpose is only a risk.
    Example: datagram_size 30 cannot hold the 40 octets of an IPv6 header.
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
    Example: the second starts at 88, by the 94 octets that the first took on the air; the first stands for 136.
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
        cause = (
            f"the second starts at {thing.start}, by the {first.wire} octets that the first took on the air; "
            f"the first stands for {first.end}"
        )
        return (Hit(cause, (told(assembly),), scene.sender, (first.number, thing.number)),)


class FragmentOffsetWrong(Rule):
    """The offset of a fragment is not in units of 8 octets.

    What it sees: a fragment that is not the last and ends at no multiple of 8; or an offset beyond the datagram whose
    number, taken as octets, is just where the fragment before it ended.
    Why it costs: the next fragment cannot be placed: the datagram is never whole.
    When it is no fault: never.
    Example: datagram_offset 1088 lies beyond datagram_size 348: the fragment before ended at octet 136: the offset
    counts octets.
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
