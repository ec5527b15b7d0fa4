"""Findings about compression contexts: not known, used too soon, of an odd length."""

from ipaddress import IPv6Address, IPv6Network

from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError
from lowpanbudget.findings import faults
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Known, Scene
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd.lowpan_options import ContextOption
from lowpanbudget.layers.internet.nd.messages import RouterAdvertisement
from lowpanbudget.layers.lowpan import addresses, iphc
from lowpanbudget.layers.lowpan.iphc import Iphc


class ContextUnknown(Rule):
    """An address is compressed against a context that is not known here.

    What it sees: a compressed address under a context number that neither the design, nor --context, nor an
    advertisement in the capture has given a prefix.
    Why it costs: nobody without the prefix can restore the address; a node in that place drops the datagram.
    When it is no fault: the capture began after the contexts were spread. That is why it is only a remark.
    Example: both addresses lean on it: context 0 has no prefix.
    What to do: Give the prefix with --context NUMBER=PREFIX or in the design file.
    """

    name = "context-unknown"
    severity = Severity.REMARK
    certainty = Certainty.CONFIGURATION
    cite = iphc.CONTEXT_IDS
    reads = (WireError,)

    def check(self, scene: Scene, thing: WireError) -> Hits:  # noqa: ARG002  # one signature for all rules
        """Take faults of a missing context."""
        found = faults.UNKNOWN_CONTEXT.search(thing.message)
        if not found:
            return NONE
        return (
            Hit(f"context {found[1]} has no prefix", (faults.where(thing),), f"context {found[1]}"),
        )


class ContextUsedTooSoon(Rule):
    """A context compresses addresses although it must not, or not yet, or no longer.

    What it sees: a context that is given for expanding only; a context option in an advertisement that says so (C is
    0), that withdraws a context (lifetime 0), or whose lifetime has run out; then, 1 s later or more, a frame that
    compresses with it.
    Why it costs: receivers that have not learned the context, or have dropped it, cannot restore the address: datagrams
    are lost for as long as the tables differ.
    When it is no fault: frames within a second of the change may have been on their way. Lifetimes are counted from
    the last advertisement in this capture, so one that it missed may have prolonged them.
    Example: context 1 (2001:db8:2::/64) is announced for expanding only (C = 0), and 0x0017 compresses with it.
    What to do: Announce with C = 0 until all nodes have the context, then with C = 1; withdraw the same way round
    (RFC 6775 section 7.2).
    """

    name = "context-used-too-soon"
    severity = Severity.FAILURE
    certainty = Certainty.CAPTURE
    cite = rfc(6775, "7.2")
    reads = (Icmpv6, Iphc)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.told: dict[int, tuple[ContextOption, float, int]] = {}

    def check(self, scene: Scene, thing: Icmpv6 | Iphc) -> Hits:
        """Learn from advertisements; compare each use."""
        if isinstance(thing, Iphc):
            return self._used(scene, thing) if any(n is not None for n in thing.contexts) else NONE
        if isinstance(thing.message, RouterAdvertisement):
            for option in thing.message.options:
                if isinstance(option, ContextOption):
                    self.told[option.cid] = (option, scene.time_s, scene.number)
        return NONE

    def _used(self, scene: Scene, header: Iphc) -> Hits:
        hits = []
        for number in dict.fromkeys(header.contexts):
            if number is None:
                continue
            if number not in self.told:
                given = scene.contexts.get(number)
                if given is not None and not given.may_compress:
                    why = f"is for expanding only, and {scene.sender} compresses with it"
                    cause = f"context {number} ({given.prefix}) {why}"
                    hits.append(Hit(cause, (), f"context {number}, {scene.sender}"))
                continue
            option, since, frame = self.told[number]
            age = scene.time_s - since
            why = ""
            if option.removes and age >= 1:
                why = "was withdrawn"
            elif not option.may_compress and age >= 1:
                why = "is announced for expanding only (C = 0)"
            elif age > option.lifetime_s + 1:
                why = f"ran out after {option.lifetime_s} s"
            if why:
                cause = f"context {number} ({option.prefix}) {why}, and {scene.sender} compresses with it"
                evidence = (
                    f"frame {frame}: announcement; frame {scene.number}: used {age:.1f} s later",
                )
                hits.append(
                    Hit(cause, evidence, f"context {number}, {scene.sender}", (frame, scene.number))
                )
        return hits


class ContextLengthUnusual(Rule):
    """A context has a length that is neither 64 nor 128 bits.

    What it sees: a context option in an advertisement, or a context of the design, whose length is another.
    Why it costs: bits between its end and bit 64 are restored as zero, so it serves only addresses that are zero
    there: another subnet of the same prefix goes in line, or arrives wrong where a node keeps old bits.
    When it is no fault: all addresses have zeros between, as one subnet numbered 0 has. It is a remark by itself; it
    is a risk where an address in the capture or design lies under it with other bits there.
    Example: context 2 is 2001:db8::/32: only a subnet of zeros is restored from it.
    What to do: Use one context for each /64 that is in use.
    """

    name = "context-length-unusual"
    severity = Severity.REMARK
    certainty = Certainty.CONFIGURATION
    cite = addresses.BASE
    reads = (Icmpv6,)

    def check(self, scene: Scene, thing: Icmpv6) -> Hits:  # noqa: ARG002  # one signature for all rules
        """Look at the lengths in an advertisement."""
        if not isinstance(thing.message, RouterAdvertisement):
            return NONE
        return [
            Hit(f"context {option.cid} is {option.prefix}", (), f"context {option.cid}")
            for option in thing.message.options
            if isinstance(option, ContextOption) and odd(option.prefix)
        ]

    def close(self) -> Hits:
        """Look at the contexts that were given, and at the prefixes seen under them."""
        for number, context in self.known.contexts.items():
            if not odd(context.prefix):
                continue
            lost = [
                IPv6Address(prefix << 64)
                for prefix in self.known.prefixes
                if IPv6Address(prefix << 64) in context.prefix and prefix << 64 != context.value
            ]
            cause = f"context {number} is {context.prefix}"
            subject = f"context {number}"
            if lost and context.prefix.prefixlen < 64:
                evidence = tuple(
                    f"{address}/64 lies under it and is not restored from it"
                    for address in lost[:3]
                )
                yield Hit(cause, evidence, subject, severity=Severity.RISK)
            else:
                yield Hit(cause, (), subject)


def odd(prefix: IPv6Network) -> bool:
    """Return whether a context of this length is unusual."""
    return prefix.prefixlen not in {64, 128}
