"""Findings about frames whose numbers go back, come twice, or change where they should not."""

from collections import OrderedDict
from hashlib import blake2b

from lowpanbudget.cites import ieee
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Known, Scene, named
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.layers.link.security import NONCE

MOST_SENDERS = 1024
_KEPT = 32  # frame counters remembered for one sender and key
_REORDER = 8  # a capture put together from several receivers may swap neighbours
_RETRY_S = 0.1  # a MAC gives up long before: four tries of 8 ms each at 2.4 GHz (common practice, no source)

Sender = tuple[int | None, bytes, int, bytes | None, int | None]


def sender_of(mac: Mac, security: Security) -> Sender | None:
    """Return PAN, address and key name of a secured frame's sender; None without address."""
    if mac.source is None:
        return None
    return mac.pan_id, mac.source, security.key_id_mode, security.key_source, security.key_index


def key_text(security: Security) -> str:
    """Return how a frame names its key, as text."""
    text = f"key id mode {security.key_id_mode}"
    return text if security.key_index is None else f"{text}, index {security.key_index}"


class FrameCounterUsedTwice(Rule):
    """One frame counter protects two different frames.

    What it sees: two secured frames of one source under one key with the same frame counter but different octets,
    among the last 32 counters of that source.
    Why it costs: the nonce is used twice; for encrypted frames that gives away what both hold, and receivers that
    follow the standard drop the second frame: of a datagram in fragments only the first gets through.
    When it is no fault: a retransmission repeats a frame octet by octet, and nothing is said of that.
    Example: two readings: frame counter 0x00000007 in frames 1 and 2.
    What to do: Increase the counter for every frame, fragments included, before it is secured; keep it over resets. If
    the frames were encrypted, agree on a new key.
    """

    name = "frame-counter-used-twice"
    severity = Severity.FAILURE
    certainty = Certainty.CAPTURE
    cite = NONCE
    reads = (Mac,)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.senders: OrderedDict[Sender, OrderedDict[int, tuple[bytes, int]]] = OrderedDict()

    def check(self, scene: Scene, thing: Mac) -> Hits:
        """Compare the frame with the one that used its counter before."""
        security = thing.security
        if security is None or not security.level or scene.counter is None:
            return NONE
        sender = sender_of(thing, security)
        if sender is None:
            return NONE
        seen = self.senders.get(sender)
        if seen is None:
            seen = self.senders[sender] = OrderedDict()
            if len(self.senders) > MOST_SENDERS:
                self.senders.popitem(last=False)
        digest = blake2b(scene.octets[: len(scene.octets) - scene.fcs], digest_size=8).digest()
        before = seen.get(scene.counter)
        if before is None:
            seen[scene.counter] = (digest, scene.number)
            if len(seen) > _KEPT:
                seen.popitem(last=False)
            return NONE
        if before[0] == digest:
            return NONE
        counter = f"frame counter {scene.counter:#010x}"
        cause = f"{scene.sender} used a {counter} for two different frames ({key_text(security)})"
        evidence = (f"{counter} in frames {before[1]} and {scene.number}",)
        return (Hit(cause, evidence, scene.sender, (before[1], scene.number)),)


class FrameCounterWentBack(Rule):
    """The frame counter of a source went back.

    What it sees: a secured frame whose counter is more than 8 below the highest that its source has used under the
    same key.
    Why it costs: receivers remember the highest counter and drop everything below it: after a restart the node is
    deaf and dumb until it passes the old value; and nonces are used twice.
    When it is no fault: a new key starts counters at zero; under key id mode 0 no frame shows that the key changed. A
    capture put together from several receivers may swap neighbours, hence the 8.
    Example: the frame counter of 02:5e:10:00:00:00:00:17 went from 0x00000385 back to 0x00000000: the node was powered
    up again.
    What to do: Store the counter ahead of use (in steps of some hundred) and go on above the stored value after a
    restart; or agree on a new key.
    """

    name = "frame-counter-went-back"
    severity = Severity.FAILURE
    certainty = Certainty.CAPTURE
    cite = ieee(2015, "9.4.2")
    reads = (Mac,)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.highest: OrderedDict[Sender, tuple[int, int]] = OrderedDict()

    def check(self, scene: Scene, thing: Mac) -> Hits:
        """Compare with the highest counter so far."""
        security = thing.security
        if security is None or not security.level or scene.counter is None:
            return NONE
        sender = sender_of(thing, security)
        if sender is None:
            return NONE
        counter = scene.counter
        before = self.highest.get(sender)
        if before is None or counter >= before[0]:
            self.highest[sender] = (counter, scene.number)
            if before is None and len(self.highest) > MOST_SENDERS:
                self.highest.popitem(last=False)
            return NONE
        if before[0] - counter <= _REORDER:
            return NONE
        self.highest[sender] = (counter, scene.number)  # told once for each step back
        cause = f"the frame counter of {scene.sender} went from {before[0]:#010x} back to {counter:#010x}"
        evidence = (f"frame {before[1]}: {before[0]:#010x}; frame {scene.number}: {counter:#010x}",)
        return (Hit(cause, evidence, scene.sender, (before[1], scene.number)),)


class SentAgainAsNew(Rule):
    """A retransmission went out as a new frame.

    What it sees: two unicast frames of one source to one receiver within 0.1 s whose payload is the same octet by
    octet and whose sequence number (or frame counter) is not; only payloads of 5 octets and more, in the clear.
    Why it costs: the receiver cannot tell the copy by its number: fragments arrive twice and some receivers give the
    whole datagram up. Copies of fragments are a risk, others a remark.
    When it is no fault: an application that really sends the same twice within 0.1 s, as the answers to a request that
    came twice; broadcasts are not looked at.
    Example: a reading twice, frame 1 number 41, frame 2 number 42, 10.0 ms apart.
    What to do: Retransmit the same octets; take a new number for new frames alone.
    """

    name = "sent-again-as-new"
    severity = Severity.RISK
    certainty = Certainty.CAPTURE
    cite = ieee(2015, "6.7.4.3")
    reads = (Mac,)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.last: OrderedDict[
            tuple[bytes, bytes], tuple[bytes, int | None, int | None, float, int]
        ] = OrderedDict()

    def check(self, scene: Scene, thing: Mac) -> Hits:
        """Compare with the last frame between the same two nodes."""
        source, destination, payload = thing.source, thing.destination, scene.payload
        if (
            thing.frame_type != FrameType.DATA
            or source is None
            or destination is None
            or not payload
        ):
            return NONE
        if destination == b"\xff\xff" or len(payload) < 5:
            return NONE
        counter = scene.counter
        key = (source, destination)
        before = self.last.pop(key, None)
        self.last[key] = (payload, scene.sequence, counter, scene.time_s, scene.number)
        if before is None:
            if len(self.last) > MOST_SENDERS:
                self.last.popitem(last=False)
            return NONE
        if before[0] != payload or not 0 <= scene.time_s - before[3] <= _RETRY_S:
            return NONE
        if before[1] == scene.sequence and before[2] == counter:
            return NONE
        gap = (scene.time_s - before[3]) * 1000
        cause = (
            f"{scene.sender} sent the same payload to {named(destination)} again under a new number"
        )
        evidence = (
            f"frame {before[4]} number {before[1]}, frame {scene.number} number {scene.sequence}, "
            f"{gap:.1f} ms apart"
        )
        severity = Severity.RISK if scene.frame.fragment is not None else Severity.REMARK
        return (Hit(cause, (evidence,), scene.hop, (before[4], scene.number), severity),)
