"""Findings about datagrams in fragments that are late, lost, repeated or in each other's way."""

from typing import Any

from lowpanbudget.cites import rfc
from lowpanbudget.errors import plural
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.pieces import Assembly, Piece, hop_of, told
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Known, Scene, named
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan import fragment
from lowpanbudget.stack.reassembly import Discarded, TimedOut


class FragmentsTooSlow(Rule):
    """The fragments of one datagram come too far apart in time.

    What it sees: more time between the first and the last fragment of a datagram than the receiver waits: 60 s, which
    RFC 4944 allows at most, or what is configured.
    Why it costs: the receiver gives up before the last fragment: large datagrams always fail, small ones work.
    When it is no fault: a clock of the capture that jumps.
    Example: a fragment comes 70.0 s after the first, receivers wait 60 s.
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
        return (Hit(cause, (told(assembly),), hop_of(assembly), assembly.numbers),)


class FragmentsUnfinished(Rule):
    """Datagrams in fragments are not completed.

    What it sees: datagrams of which fragments are missing when the time for reassembly is over. It is a risk from
    three of one sender and receiver on, when they are more than one in ten; fewer are a remark. A first fragment
    with nothing behind it is named as such.
    Why it costs: one lost fragment loses the datagram, and its buffer stays taken until the timer ends.
    When it is no fault: the capture missed frames that the receiver got; those that the end of the capture cut off
    are not counted.
    Example: 3 of 4 datagrams in fragments were not completed.
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
            thing.key[1] == BROADCAST and thing.state == "whole"
        ):
            return NONE
        hop = hop_of(thing)
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
    Example: datagram of 348 octets, tag 0x0007, octets 136 to 231, and again, and again.
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
        evidence = (f"{told(scene.assembly)}, octets {thing.start} to {thing.end - 1}",)
        return (Hit(cause, evidence, hop_of(scene.assembly)),)


class FragmentsOverlap(Rule):
    """Fragments of one datagram overlap with different extents.

    What it sees: a fragment whose octets overlap those of an earlier one with the same addresses, size and tag, but
    start or end elsewhere.
    Why it costs: a receiver must discard all that it has collected and begin anew with the newest.
    When it is no fault: a sender that restarts and uses the same tag for another datagram of the same size.
    Example: datagram of 348 octets, tag 0x0007: 0-135, 128-223.
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
                (f"{told(thing)}: {ranges}",),
                hop_of(thing),
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
    Example: two children send in the same minute: 3 datagrams to 0x0001 were not completed while others were open, up
    to 2 at once.
    What to do: Spread sending times, make messages fit one frame, give the receiver as many buffers as it has children
    that send at once, or let it forward fragments (RFC 8930).
    """

    name = "fragments-meet"
    severity = Severity.RISK
    certainty = Certainty.CAPTURE
    cite = rfc(8930, "4.2")
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


class RecoverableFragmentsFailed(Rule):
    """Recoverable fragments did not become a datagram.

    What it sees: datagrams in recoverable fragments (RFC 8931) that ran out of time, were aborted, whose fragments
    contradict each other, or that were whole and could not be expanded.
    Why it costs: these fragments are acknowledged and sent again, so that a datagram that fails all the same has cost
    more than an ordinary one.
    When it is no fault: the capture missed frames that the receiver got. What is open at its end is not counted; a
    single failure is a remark.
    Example: tag 0x00: the time ran out, 80 octets had come, and no acknowledgement asked for the rest.
    What to do: Look whether acknowledgements come back; sizes and offsets count octets of the compressed form.
    """

    name = "recoverable-fragments-failed"
    severity = Severity.RISK
    certainty = Certainty.CAPTURE
    cite = rfc(8931, "6")
    reads = (TimedOut, Discarded)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.failed: dict[str, int] = {}

    def check(self, scene: Scene, thing: TimedOut | Discarded) -> Hits:  # noqa: ARG002  # one signature for all rules
        """Take what the reassembler gave up; keys of these fragments have no size."""
        source, destination, size, tag = thing.key
        if size is not None or (isinstance(thing, Discarded) and thing.for_room):
            return NONE
        hop = f"{named(source)} to {named(destination)}"
        if hop in self.failed or len(self.failed) < 256:
            self.failed[hop] = self.failed.get(hop, 0) + 1
        reason = thing.reason if isinstance(thing, Discarded) else "the time ran out"
        severity = Severity.RISK if self.failed.get(hop, 0) > 1 else Severity.REMARK
        evidence = (f"tag {tag:#04x}: {reason}, {plural(thing.received, 'octet')} had come",)
        cause = "datagrams in recoverable fragments were given up"
        return (Hit(cause, evidence, hop, tuple(part.number for part in thing.marks), severity),)
