"""Findings about fragments that need not be, or should not."""

from lowpanbudget.cites import ieee, rfc
from lowpanbudget.errors import plural
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.pieces import Assembly, Piece, hop_of, told
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd.messages import RouterAdvertisement
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan import fragment
from lowpanbudget.layers.lowpan.fragment import FRAG1


class LastFragmentNeedless(Rule):
    """The last fragment holds less than the one before it had room for.

    What it sees: a last fragment of fewer than 8 octets that would have fitted behind the octets of the fragment
    before it, whose frame has so much to spare.
    Why it costs: a whole frame, with headers, airtime and its own chance of loss, for a few octets.
    When it is no fault: the sender keeps the room for headers that grow on the way; a different limit was configured.
    Example: the last fragment brings 4 octets, the frame before it had 31 to spare.
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
        cause = f"the last fragment brings {plural(octets, 'octet')}, the frame before it had {spare} to spare"
        return (Hit(cause, (told(thing),), hop_of(thing), thing.numbers),)


class FragmentedWithoutNeed(Rule):
    """A datagram was cut although one frame would have carried it.

    What it sees: a whole datagram whose first frame, without fragment header and with the octets of all other
    fragments, is no longer than the PHY's limit.
    Why it costs: two frames or more instead of one; the datagram is lost when either is.
    When it is no fault: a sender that must leave room for headers of later hops; then the spare octets are few.
    Example: 2 fragments make a frame of 77 octets, 50 to spare: the decision was taken before compression.
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
        return (Hit(cause, (told(thing),), hop_of(thing), thing.numbers),)


class GroupDatagramFragmented(Rule):
    """A datagram to all neighbours is cut into fragments.

    What it sees: a fragment whose link destination is the broadcast address.
    Why it costs: nobody acknowledges broadcasts: each fragment is sent once, and one that is lost at one neighbour
    loses the datagram there.
    When it is no fault: never reliable, though it works on a quiet channel.
    Example: a datagram of 348 octets, tag 0x0007 goes to all neighbours in fragments.
    What to do: Make it fit one frame: fewer options, contexts, unicast answers.
    """

    name = "group-datagram-fragmented"
    severity = Severity.RISK
    certainty = Certainty.FRAME
    cite = ieee(2006, "7.5.6.4")
    reads = (Piece,)
    varies = True

    def check(self, scene: Scene, thing: Piece) -> Hits:
        """Look at the destination of first fragments."""
        if (
            not thing.first
            or scene.mac is None
            or scene.mac.destination != BROADCAST
            or scene.assembly is None
        ):
            return NONE
        return (
            Hit(f"a {told(scene.assembly)} goes to all neighbours in fragments", (), scene.sender),
        )


class AdvertisementFragmented(Rule):
    """Router advertisements do not fit one frame.

    What it sees: a Router Advertisement that came in fragments.
    Why it costs: joining depends on it: a node that misses one fragment has no prefix and no context.
    When it is no fault: never needed; sent to one node it is at least acknowledged.
    Example: a router advertisement of 152 octets took 2 frames: it holds six contexts.
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
