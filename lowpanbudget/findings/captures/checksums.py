"""Transport checksums: each finding names the reading of the datagram that makes the checksum right."""

from lowpanbudget.env import IID_MASK, UNIVERSAL_LOCAL, interface_identifier
from lowpanbudget.findings.checksum import SumReading
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.guesses import Slip
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.wording import link_text
from lowpanbudget.layers.lowpan.iphc import Iphc

CHECKSUMS = Subject("checksums")


@CHECKSUMS.rule("context-table-differs", Slip.CONTEXT)
@CHECKSUMS.rule("identifier-by-old-rule", Slip.OLD_RULE)
@CHECKSUMS.rule("identifier-of-reversed-address", Slip.REVERSED)
@CHECKSUMS.rule("universal-local-bit-wrong", Slip.UNIVERSAL)
@CHECKSUMS.rule("checksum-counts-extensions", Slip.OPTION)
@CHECKSUMS.rule("checksum-over-other-destination", Slip.ROUTE)
def checksum_explained(scene: Scene, reading: SumReading) -> Hits:
    """Tell the reading that makes it right; a subject is what is the same in all frames: without the addresses."""
    sums = f"checksum carried {reading.carried:#06x}, computed here {reading.computed:#06x}"
    evidence = (f"{sums}; {reading.tried} readings tried",)
    cause = f"the checksum is right when {reading.text}"
    yield Hit(cause, evidence, f"{scene.sender}: {reading.what}", scene.numbers)


@CHECKSUMS.rule("universal-local-bit-wrong", Iphc)
def universal_local_bit_wrong(scene: Scene, header: Iphc) -> Hits:
    """Compare an identifier in line with the link source."""
    link, source = scene.link_source, header.header.source
    if link is None or len(link) != 8 or header.rows["source"].inline != 8:
        return
    if int(source) & IID_MASK ^ (interface_identifier(link) or 0) == UNIVERSAL_LOCAL:
        cause = (
            f"{source} holds the link address with its universal/local bit as it is, not inverted"
        )
        yield Hit(cause, (f"link source {link_text(link)}",), link_text(link))


@CHECKSUMS.rule("checksum-wrong", Slip.NONE)
def checksum_wrong(scene: Scene, reading: SumReading) -> Hits:
    """Take what no reading explains."""
    sums = f"checksum carried {reading.carried:#06x}, computed {reading.computed:#06x}"
    evidence = (f"{sums}; {reading.tried} readings tried",)
    yield Hit(reading.text, evidence, scene.sender, scene.numbers)


@CHECKSUMS.rule("checksum-wrong", HeardDatagram)
def checksum_zero(scene: Scene, datagram: HeardDatagram) -> Hits:
    """Take UDP checksums of zero, which IPv6 does not allow."""
    header = datagram.udp_behind
    if header is not None and not header.checksum:
        evidence = (bytes(header).hex(" "),)
        yield Hit("the UDP checksum is zero", evidence, scene.sender, datagram.numbers)
