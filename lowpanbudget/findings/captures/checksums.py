"""Transport checksums: each finding names the reading of the datagram that makes the checksum right."""

from functools import partial

from lowpanbudget.env import IID_MASK, UNIVERSAL_LOCAL, interface_identifier
from lowpanbudget.findings.checksum import SumReading
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.guesses import Slip
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.wording import link_text
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.lowpan.iphc import Iphc

CHECKSUMS = Subject("checksums")


def _reading(scene: Scene, reading: SumReading, *, slip: Slip) -> Hits:
    """Take the readings with this slip behind them."""
    if reading.slip == slip:
        sums = f"checksum carried {reading.carried:#06x}, computed here {reading.computed:#06x}"
        cause = f"the checksum is right when {reading.text}"
        evidence = (f"{sums}; {reading.tried} readings tried",)
        yield Hit(cause, evidence, f"{scene.sender}: {_what(reading.text)}", scene.numbers)


def _what(text: str) -> str:
    """Return what is the same in all frames with this slip: the words in brackets, without the addresses."""
    return text.rpartition("(")[2].rstrip(")") if "(" in text else text


for _name, _slip in {
    "context-table-differs": Slip.CONTEXT,
    "identifier-by-old-rule": Slip.OLD_RULE,
    "identifier-of-reversed-address": Slip.REVERSED,
    "universal-local-bit-wrong": Slip.UNIVERSAL,
    "checksum-counts-extensions": Slip.OPTION,
    "checksum-over-other-destination": Slip.ROUTE,
}.items():
    CHECKSUMS.rule(_name, SumReading)(partial(_reading, slip=_slip))


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


@CHECKSUMS.rule("checksum-wrong", SumReading)
def checksum_wrong(scene: Scene, reading: SumReading) -> Hits:
    """Take what no reading explains."""
    if reading.slip == Slip.NONE:
        sums = f"checksum carried {reading.carried:#06x}, computed {reading.computed:#06x}"
        evidence = (f"{sums}; {reading.tried} readings tried",)
        yield Hit(reading.text, evidence, scene.sender, scene.numbers)


@CHECKSUMS.rule("checksum-wrong", HeardDatagram)
def checksum_zero(scene: Scene, datagram: HeardDatagram) -> Hits:
    """Take UDP checksums of zero, which IPv6 does not allow."""
    header = datagram.udp_header() if datagram.outer.next_header == ipv6.UDP else None
    if header is not None and not header.checksum:
        evidence = (bytes(header).hex(" "),)
        yield Hit("the UDP checksum is zero", evidence, scene.sender, datagram.numbers)
