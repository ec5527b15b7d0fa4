"""Sizes that fragments give, and whether the first one brings the compressed headers whole."""

from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError
from lowpanbudget.findings import faults
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.rule import OWN_FAULT, Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.wording import octets_text
from lowpanbudget.layers.lowpan import fragment
from lowpanbudget.layers.lowpan.fragment import FRAG1, Fragment, HeadersCut, SizeTooSmall
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.stack.pieces import FragmentArrival, FragmentedDatagram

SIZES = Subject("fragments")  # of the same manuals as ``fragments``


def payload_start(scene: Scene) -> str:
    """Return the first octets of a payload, as evidence."""
    return f"payload starts {(scene.payload or b'')[:5].hex(' ')}"


@SIZES.rule("datagram-size-impossible", FragmentArrival)
def datagram_size_over_mtu(scene: Scene, arrival: FragmentArrival) -> Hits | None:
    """Look at the size of fragments that can be read."""
    size, mtu = arrival.datagram.size, scene.known.mtu
    if size > mtu:
        cause = f"datagram_size {size} is over the MTU of {mtu}"
        return (Hit(cause, (), scene.sender, severity=Severity.RISK),)
    return None


@SIZES.rule("datagram-size-impossible", HeardDatagram)
def datagram_over_mtu(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Measure what came in one frame: "the node must be able to accept packets as large as that link's MTU"."""
    size, mtu = len(datagram.octets), scene.known.mtu
    if size <= mtu or datagram.fragments > 1 or scene.mac is None:
        return None
    cause = f"a datagram of {size} octets, whole in one frame, is over the MTU of {mtu}"
    return [Hit(cause, (), scene.sender, severity=Severity.RISK, cite=rfc(8200, "5"))]


@SIZES.rule("datagram-size-impossible", OWN_FAULT, varies=True)
def datagram_size_impossible(scene: Scene, fault: WireError) -> Hits:
    """Take faults, and tell a size that spills from its bits."""
    size, cause = faults.spilled(scene.payload), fault.message
    if size:
        cause = f"a datagram_size of {size} spills from its 11 bits into the dispatch ({cause})"
    yield Hit(cause, (payload_start(scene),), scene.sender)


@SIZES.rule("datagram-size-too-small", OWN_FAULT, varies=True)
def datagram_size_too_small(scene: Scene, fault: WireError) -> Hits:
    """Take the decoder's fault."""
    if not isinstance(fault.about, SizeTooSmall):
        return
    octets, size = fault.about
    cause = f"the first fragment alone stands for {octets} octets, datagram_size says {size}"
    wire, on_air = _octets_on_air(scene)
    evidence = [on_air]
    if wire <= size:
        evidence.append("the size fits the compressed form")
    yield Hit(cause, tuple(evidence), scene.sender)


@SIZES.rule("datagram-size-too-small", FragmentArrival)
def size_counts_otherwise(scene: Scene, arrival: FragmentArrival) -> Hits | None:
    """Tell as a remark what fits where the sender does not count what RPL added."""
    first, size = arrival.fragment, arrival.datagram.size
    if not first.first or first.end <= size or arrival.repeated:
        return None
    cause = f"the first fragment alone stands for {first.end} octets, datagram_size says {size}"
    why = "the size fits where what RPL added counts in another form (RFC 8138)"
    evidence = (_octets_on_air(scene)[1], why)
    return (Hit(cause, evidence, scene.sender, severity=Severity.REMARK),)


def _octets_on_air(scene: Scene) -> tuple[int, str]:
    wire = len(scene.payload or b"") - FRAG1.octets
    return wire, f"{wire} octets behind the fragment header on the air"


@SIZES.rule("datagram-size-too-small", FragmentArrival)
def offset_counts_compressed(scene: Scene, arrival: FragmentArrival) -> Hits | None:
    """Compare the second fragment's offset with the first's two lengths."""
    second, datagram, repeated = arrival
    if repeated or not counts_compressed(datagram):
        return None
    first = datagram.fragments[0]
    wire = first.mark.octets - FRAG1.octets
    cause = (
        f"the second starts at {second.start}, by the {wire} octets that the first took on the air; "
        f"the first stands for {first.end}"
    )
    return (Hit(cause, (str(datagram),), scene.sender, (first.mark.number, second.mark.number)),)


def counts_compressed(datagram: FragmentedDatagram) -> bool:
    """Return whether the second of two fragments begins where the compressed octets of the first end."""
    if len(datagram.fragments) != 2:
        return False
    first, second = datagram.fragments
    wire = first.mark.octets - FRAG1.octets
    if not first.first or second.first or second.start == first.end or wire >= first.end:
        return False
    starts: int = wire // fragment.UNIT * fragment.UNIT
    return second.start == starts


@SIZES.rule("headers-beyond-first-fragment", OWN_FAULT)
def headers_beyond_first_fragment(scene: Scene, fault: WireError) -> Hits:
    """Take the decoder's fault, and tell how much of the datagram the fragment brings."""
    header: Fragment | Rfrag | None = scene.find(Fragment) or scene.find(Rfrag)
    about = fault.about
    if header is None or not isinstance(about, HeadersCut):
        return
    brings = f"the first fragment brings {octets_text(about.octets)} of a datagram of {header.size} octets"
    if isinstance(header, Fragment):
        brings += " before compression"
    yield Hit(fault.message, (faults.where(fault), brings), scene.sender, cite=fault.cite)
