"""Why a transport checksum does not match: the reading of the datagram that makes it valid, by trying.

A checksum covers addresses that 6LoWPAN does not carry, so it remembers what the sender believed they were. Every
reading is tried on one side alone first, then the same on both. Random octets match one of the few readings seldom, but
one bit that was changed on the way does so at times: whether a reading holds is told by the sender's other datagrams
(``header_forms``).
"""

from collections.abc import Iterator
from typing import NamedTuple

from lowpanbudget.bits import Place
from lowpanbudget.errors import WireError
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.formulas import other_formulas
from lowpanbudget.findings.guesses import (
    Segment,
    Slip,
    Trial,
    guesses_of,
    other_destinations,
    other_ports,
)
from lowpanbudget.findings.header_forms import Detail
from lowpanbudget.findings.lengths import (
    other_length_in_line,
    with_options,
    without_length,
    without_tail,
)
from lowpanbudget.findings.sums import off_by
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet import chain, icmpv6, ipv6, udp
from lowpanbudget.layers.link.nonces import Devices

_AFTER_CODE = icmpv6.START.octets
_CHECKSUM_AT = {ipv6.UDP: udp.CHECKSUM, ipv6.ICMPV6: Place(_AFTER_CODE, _AFTER_CODE + 2)}


class SumReading(NamedTuple):
    """The reading that makes a checksum valid: the slip behind it, in words.

    ``carried`` and ``computed`` are the checksums; ``tried`` how many readings were. ``what`` is what the reading
    changes, the same for all frames that it explains. ``length`` are the octets that the checksum covers.
    """

    slip: Slip
    text: str
    carried: int
    computed: int
    tried: int
    what: str = ""
    length: int = 0

    @property
    def off(self) -> int:
        """Return by how much the checksum is off."""
        return off_by(self.carried, self.computed)


def segment_of(datagram: bytes) -> Segment | None:
    """Return the last UDP or ICMPv6 message of a datagram; None when there is none that can be read."""
    last = None
    try:
        for place in chain.walk(datagram):
            if place.kind in {ipv6.UDP, ipv6.ICMPV6}:
                last = place
            elif place.kind == ipv6.FRAGMENT:
                return None
        if last is None or last.hidden:
            return None  # nobody can tell what it was computed over
    except WireError:
        return None
    octets, checksum = datagram[last.offset :], _CHECKSUM_AT[last.kind]
    if len(octets) < checksum.end:
        return None
    return Segment(
        last.kind, octets, checksum.number(octets), last.offset, last.source, last.destination
    )


def is_wrong(datagram: bytes) -> bool:
    """Return whether a datagram has a checksum that does not match."""
    segment = segment_of(datagram)
    if segment is None:
        return False
    return segment.checksum(segment.source, segment.destination) != segment.carried


def is_right(datagram: bytes) -> bool:
    """Return whether a datagram has a checksum, and it matches."""
    segment = segment_of(datagram)
    if segment is None or not segment.carried:
        return False
    return segment.checksum(segment.source, segment.destination) == segment.carried


def explain(datagram: HeardDatagram, known: Surroundings, devices: Devices) -> SumReading | None:
    """Return the reading that makes the datagram's checksum valid; ``devices`` are EUI-64s of short addresses.

    Its slip says where none does, or several different ones do. None: the checksum is right, or there is none.
    """
    segment = segment_of(datagram.octets)
    if segment is None or (segment.kind == ipv6.UDP and not segment.carried):
        return None
    computed = segment.checksum(segment.source, segment.destination)
    if computed == segment.carried:
        return None
    single = list(_one_side(datagram, known, devices, segment))
    double = list(_both_sides(datagram, known, devices, segment))
    tried = len(single) + len(double)
    fitting = [[trial for trial in trials if trial.fits] for trials in (single, double)]
    # behind the rest: octets that are zero fit whatever adds as little as they do, and carries that are lost add less
    for last in (_of_octets, other_formulas):
        if not any(fitting):
            trials = list(last(datagram, segment, computed))
            tried += len(trials)
            fitting = [[trial for trial in trials if trial.fits]]
    slips = {trial.slip for trial in next(filter(None, fitting), ())}
    slip, text, what = Slip.NONE, "no reading makes the checksum right", ""
    if len(slips) == 1:
        (slip,) = slips
        same = {trial.text: trial for level in fitting for trial in level if trial.slip == slip}
        text = " or ".join(list(same)[:3])
        what = list(same.values())[:3][-1].what
    elif slips:
        texts = dict.fromkeys(trial.text for level in fitting for trial in level)
        slip, text = Slip.SEVERAL, f"several readings make the checksum right: {' or '.join(texts)}"
    return SumReading(slip, text, segment.carried, computed, tried, what, len(segment.octets))


def _of_octets(datagram: HeardDatagram, segment: Segment, computed: int) -> Iterator[Trial]:
    """Yield the readings of octets in another order, or too many."""
    yield _exchanged(segment, computed)
    yield from without_tail(datagram, segment)


def _exchanged(segment: Segment, computed: int) -> Trial:
    """Return the reading of a sender that put the octets of a right checksum down in the other order."""
    text = "its two octets are exchanged"
    carried = int.from_bytes(segment.carried.to_bytes(2, "big"), "little")
    return Trial(Slip.EXCHANGED, text, carried == computed, "octets of the checksum exchanged")


def read_alike(datagram: HeardDatagram, said: SumReading | None) -> SumReading | None:
    """Return what was ``said`` of a wrong checksum between the same addresses for another one, nothing tried again."""
    segment = segment_of(datagram.octets)
    if segment is None or (segment.kind == ipv6.UDP and not segment.carried):
        return None
    computed = segment.checksum(segment.source, segment.destination)
    if said is None:
        said = SumReading(Slip.NONE, "so many were read before that no reading was tried", 0, 0, 0)
    return said._replace(carried=segment.carried, computed=computed, length=len(segment.octets))


def detail_of(datagram: HeardDatagram, slip: Slip) -> Detail:
    """Return what a slip depends on beside the form: octets at its end on its length, a port on both."""
    if slip in {Slip.TAIL, Slip.PADDING}:
        return len(datagram.octets)
    return datagram.ports if slip is Slip.PORT else None


def _one_side(
    datagram: HeardDatagram, known: Surroundings, devices: Devices, segment: Segment
) -> Iterator[Trial]:
    """Yield the readings that change one thing."""
    source, destination, carried = segment.source, segment.destination, segment.carried
    shared = _same_context(datagram)
    for side, address in (("source", source), ("destination", destination)):
        for guess in guesses_of(datagram, known, devices, address, source=side == "source"):
            if shared and guess.slip == Slip.CONTEXT:
                continue
            ends = (guess.address, destination) if side == "source" else (source, guess.address)
            text = f"the {side} is {guess.address} ({guess.text})"
            yield Trial(guess.slip, text, segment.checksum(*ends) == carried, guess.text)
    for other in other_destinations(datagram, segment):
        text = f"the pseudo-header holds {other}, not {destination}"
        what = "the pseudo-header holds another destination on the way"
        yield Trial(Slip.ROUTE, text, segment.checksum(source, other) == carried, what)
    yield from other_ports(datagram, known, segment)
    yield without_length(segment)
    yield from other_length_in_line(segment)
    yield from with_options(datagram, segment)


def _same_context(datagram: HeardDatagram) -> bool:
    """Return whether both addresses lean on one context: then it has one prefix for both."""
    if datagram.iphc is None:
        return False
    source, destination = datagram.iphc.contexts
    return source is not None and source == destination


def _both_sides(
    datagram: HeardDatagram, known: Surroundings, devices: Devices, segment: Segment
) -> Iterator[Trial]:
    """Yield the readings that change the same thing about both addresses."""
    ends = list(guesses_of(datagram, known, devices, segment.destination, source=False))
    for guess in guesses_of(datagram, known, devices, segment.source, source=True):
        for end in ends:
            if (guess.slip, guess.text) == (end.slip, end.text):
                text = f"the addresses are {guess.address} and {end.address} ({guess.text})"
                fits = segment.checksum(guess.address, end.address) == segment.carried
                yield Trial(guess.slip, text, fits, guess.text)
