"""6LoWPAN headers: what is longer than it need be, and what should not be there."""

from functools import lru_cache
from ipaddress import IPv6Address

from lowpanbudget.bits import Nature, Reader
from lowpanbudget.env import Context, Contexts, Env, interface_identifier, link_text
from lowpanbudget.errors import RequestError
from lowpanbudget.fields.choice import Choice, Row
from lowpanbudget.findings import faults
from lowpanbudget.findings.bare_ipv6 import bare_ipv6, readings_of
from lowpanbudget.findings.begun import who_began
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import octets_text
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.link.mac import BROADCAST, Mac
from lowpanbudget.layers.lowpan import addresses, ghc, lorh, shortest
from lowpanbudget.layers.lowpan.forms import HLIM, TF
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.ghc_headers import Icmpv6Nhc, code_size, coded_payload
from lowpanbudget.layers.lowpan.iphc import Iphc, Sides
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.layers.lowpan.nhc import PORTS, UdpNhc, choose_udp
from lowpanbudget.stack.comparison import is_generic
from lowpanbudget.stack.convert import compress
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.values import dataclass, field

_REMEMBERED = 4096
_MOST_WRITTEN = (
    128  # octets, what a frame holds as it is; of more the shortest code takes long to find
)

LOWPAN = Subject("lowpan")


@LOWPAN.rule("prefix-multicast-wrong", Iphc)
def prefix_multicast_wrong(scene: Scene, header: Iphc) -> Hits:
    """Look at flags, length and prefix of a group ff3x:0LL:prefix:group (RFC 3306 section 4)."""
    group = header.header.destination
    if int(group) >> 116 != 0xFF3:
        return
    length, prefix = int(group) >> 96 & 0xFF, int(group) >> 32 & (1 << 64) - 1
    if length > 64:
        what = f"a prefix of {length} bits"
    elif prefix & (1 << 64 - length) - 1:
        what = f"bits behind a prefix of {length} bits"
    else:
        return
    yield Hit(f"{group} has {what}", (group.packed.hex(" "),), scene.sender)


@LOWPAN.rule("hop-limit-in-line", HeardDatagram, least=5)
def hop_limit_in_line(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Look at hop limits in line where a datagram starts: one that comes back to its sender did so before.

    So did one that comes down through it in the tunnel of another, whose header is around it.
    """
    header = datagram.iphc
    if header is None or not header.rows["hlim"].inline or scene.passage is not None:
        return None
    limit, design = header.header.hop_limit, scene.known.design
    if not HLIM.best(limit).row.inline:
        return None
    planned = () if design is None else design.flows
    starts = scene.from_its_source(header.header) and scene.from_its_source(datagram.outer)
    if starts and all(flow.hop_limit != limit for flow in planned):
        return (Hit(f"datagrams start with hop limit {limit}, in line", (), scene.sender),)
    return None


@LOWPAN.rule("header-not-shortest", Iphc, least=3)
def header_not_shortest(scene: Scene, packed: Iphc) -> Hits:
    """Compare each row with the best for its value; where its sender cut it in two, that comes first."""
    if faults.headers_cut(scene.frame.fault) or bare_ipv6(scene) is not None:
        return
    header, rows = packed.header, packed.rows
    spare: dict[str, int] = {}
    if rows["tf"].inline:
        shortest = TF.best((header.traffic_class, header.flow_label)).row.inline
        spare["traffic class and flow label"] = rows["tf"].inline - shortest
    if rows["hlim"].inline and not HLIM.best(header.hop_limit).row.inline:
        spare["hop limit"] = 1
    if rows["cid"].inline and not any(packed.contexts):
        spare["context octet"] = 1
    alone = (
        not scene.tunnelled
    )  # else identifiers are those of the header around it (RFC 6282 section 3.2.2)
    if alone and not packed.nhc and rows["nh"].inline and header.next_header == ipv6.UDP:
        spare["next header and UDP header"] = _spared_by_nhc(scene)
    links = interface_identifier(scene.link_source), interface_identifier(scene.link_destination)
    # in a tunnel identifiers are those of the header around it (RFC 6282 section 3.2.2)
    sides = (links, links) if packed.around is None else packed.around
    for place, (side, choice, address, number) in enumerate(
        zip(
            ("source", "destination"),
            (addresses.SOURCE, addresses.DESTINATION),
            (header.source, header.destination),
            packed.contexts,
            strict=True,
        )
    ):
        if rows[side].inline:
            iids = sides[0][place], sides[1][place]
            context = scene.contexts.get(number) if number is not None else None
            shortest = _shortest(choice, address, iids, number, context)
            spare[f"{side} address"] = max(rows[side].inline - shortest, 0)
    spare = {name: octets for name, octets in spare.items() if octets}
    if spare:
        fields = ", ".join(f"{name} {octets}" for name, octets in spare.items())
        cause = f"{octets_text(sum(spare.values()))} could be left out: {fields}"
        severity = None if scene.from_its_source(packed.header) else Severity.REMARK
        yield Hit(cause, (), f"{scene.sender}: {fields}", severity=severity)


@LOWPAN.rule("header-not-shortest", Ipv6, least=3)
def header_not_compressed(scene: Scene, header: Ipv6) -> Hits:
    """Compress a datagram whose first header went as it is, with nothing but what every receiver knows."""
    frame, fragment = scene.frame, scene.frame.fragment
    carried = [one for one in frame.layers if isinstance(one, Ipv6 | Iphc | Legacy)]
    if not carried or carried[0] is not header or frame.datagram is None or fragment is not None:
        return
    env = Env(scene.link_source, scene.link_destination)
    octets = frame.datagram.octets
    try:
        spare = 1 + len(octets) - len(compress(octets, env).octets)  # its dispatch takes an octet
    except RequestError:
        return
    if spare > 0:
        fields = f"uncompressed IPv6 header {spare}"
        cause = f"{octets_text(spare)} could be left out: the IPv6 header is not compressed"
        yield Hit(cause, (), f"{scene.sender}: {fields}")


@LOWPAN.rule("dispatch-left-out", Mac)
def dispatch_left_out(scene: Scene, _mac: Mac) -> Hits:
    """Look for a header of IPv6 where a dispatch should stand; what it is read for tells what becomes of it."""
    header = bare_ipv6(scene)
    if header is None:
        return
    scene.explained = True
    where = "a fragment header" if scene.is_fragment else "the MAC header"
    cause = f"an IPv6 header follows {where} at once, without the dispatch octet 0x41 before it"
    text, severity = readings_of(header, scene)
    yield Hit(cause, (text,), scene.sender, severity=severity)


def _spared_by_nhc(scene: Scene) -> int:
    """Return what LOWPAN_NHC saves of a UDP header in line and its number; 0 where its length could not come back."""
    frame, fragment = scene.frame, scene.frame.fragment
    octets = b"" if frame.datagram is None else frame.datagram.octets
    size = len(octets)
    if isinstance(fragment, Fragment):
        octets, size = frame.fragment_octets, fragment.size
    if len(octets) < ipv6.OCTETS + udp.OCTETS:
        return 0
    header = udp.decode(Reader(octets, ipv6.OCTETS))
    if header.length != size - ipv6.OCTETS:
        return 0
    return 1 + udp.OCTETS - _compressed_udp(header.source_port, header.destination_port)


@lru_cache(_REMEMBERED)
def _compressed_udp(source: int, destination: int) -> int:
    """Return the octets of a compressed UDP header with these ports and a checksum in line."""
    return choose_udp((source, destination), 0xFFFF).octets


@lru_cache(_REMEMBERED)
def _shortest(
    choice: Choice, address: IPv6Address, iids: Sides, number: int | None, context: Context | None
) -> int:  # fmt: skip
    """Return the octets of the shortest form of an address, with this context or none."""
    known = {} if number is None or context is None else {number: context}
    return shortest.inline_of(choice, address, iids, Contexts(known))


@LOWPAN.rule("ports-not-shortest", UdpNhc, least=3)
def ports_not_shortest(scene: Scene, header: UdpNhc) -> Hits:
    """Compare the form with the best for these ports."""
    cause = longer_ports(header)
    if cause:
        used, best = header.rows["ports"], _best_ports(header)
        evidence = (f"P = {used.code:02b}, P = {best.code:02b} is shorter",)
        yield Hit(cause, evidence, f"{scene.sender}: {cause}")


def longer_ports(header: UdpNhc) -> str:
    """Return in words that the ports of a header take more octets than they need; nothing where they do not."""
    used, best = header.rows["ports"].inline, _best_ports(header).inline
    ports = f"ports {header.source_port:#06x} and {header.destination_port:#06x}"
    return f"{ports} take {used} octets, {best} would do" if best < used else ""


def _best_ports(header: UdpNhc) -> Row:
    return _shortest_ports(header.source_port, header.destination_port)


@lru_cache(_REMEMBERED)
def _shortest_ports(source: int, destination: int) -> Row:
    return PORTS.best((source, destination)).row


@LOWPAN.rule("byte-code-not-shortest", UdpNhc, Icmpv6Nhc, least=3)
def byte_code_not_shortest(scene: Scene, header: UdpNhc | Icmpv6Nhc) -> Hits:
    """Write the code of a payload once more, and look at what it stands for as it is."""
    spans, values = scene.frame.spans, scene.frame.values
    last = next((one for one in reversed(values) if isinstance(one, Ipv6)), None)
    code, expanded = code_size(spans, Nature.PAYLOAD)
    if not is_generic(header) or last is None or not code:
        return
    passed_on = next((one for one in scene.frame.layers if isinstance(one, Iphc)), None)
    own = passed_on is None or scene.from_its_source(passed_on.header)
    if code > expanded:
        cause = (
            f"{octets_text(code)} of byte code stand for {expanded}, which are fewer as they are"
        )
        subject = f"{scene.sender}: byte code longer than what it stands for"
        yield Hit(cause, (), subject, severity=None if own else Severity.REMARK)
        return
    if expanded > _MOST_WRITTEN:
        return
    dictionary = ghc.dictionary(last.source.packed, last.destination.packed)
    best = len(ghc.compress(coded_payload(spans), dictionary))
    if best < code:
        cause = f"{octets_text(code)} of byte code stand for {expanded}, and {best} would do"
        subject = f"{scene.sender}: byte code longer than it need be"
        yield Hit(cause, (), subject, severity=Severity.REMARK)


@LOWPAN.rule("checksum-elided-without-cover", Noticed("elided-without-check"))
def checksum_elided_without_cover(scene: Scene, _notice: Notice) -> Hits:
    """Look for an integrity code."""
    if scene.security is not None and scene.security.mic:
        cause = "the frame has an integrity code that could not be verified here"
        yield Hit(cause, (), scene.sender, severity=Severity.REMARK)
    else:
        first = scene.iphc is None or scene.from_its_source(scene.iphc.header)
        by = who_began(scene, "", "elided without cover", first=first)
        yield Hit("C is set and the frame has no integrity code", (), by)


@LOWPAN.rule("checksum-elided-behind-unknown-route", Noticed("udp-checksum-unsure"))
def checksum_elided_behind_unknown_route(scene: Scene, _notice: Notice) -> Hits:
    """Take the notice of the decoder."""
    yield Hit("C is set behind a route whose end cannot be read", (), scene.sender)


@LOWPAN.rule("extension-bits-not-zero", Noticed("fragment-reserved-not-zero"))
@LOWPAN.rule("extension-bits-not-zero", Noticed("nhc-unused-bit-set"))
def extension_bits_not_zero(scene: Scene, notice: Notice) -> Hits:
    """Take the notices of the decoder."""
    yield Hit(notice.text, (), scene.sender, cite=notice.cite)


@LOWPAN.rule("reserved-field-not-zero", Noticed("reserved-bits-set"), least=2)
def reserved_field_not_zero(scene: Scene, notice: Notice) -> Hits:
    """Take the notice of the decoder; one frame alone may have been changed on its way."""
    yield Hit(notice.text, (f"octet {notice.offset}",), scene.sender, cite=notice.cite)


@LOWPAN.rule("header-behind-later-fragment", Noticed("header-behind-later-fragment"))
def header_behind_later_fragment(scene: Scene, notice: Notice) -> Hits:
    """Take the notice of the decoder."""
    yield Hit(notice.text, (f"octet {notice.offset}",), scene.sender)


@LOWPAN.rule("udp-header-of-a-part", Noticed("udp-of-a-part"))
def udp_header_of_a_part(scene: Scene, notice: Notice) -> Hits:
    """Take the notice of the decoder."""
    yield Hit(notice.text, (f"octet {notice.offset}",), scene.sender)


@dataclass(slots=True)
class _Node:
    """How many datagrams a node sent, whether one was of page 1, and frames of page 1 that it got."""

    sent: int = 0
    speaks: bool = False
    paged: Frames = field(default_factory=Frames)


@LOWPAN.rule("page-one-not-answered", Iphc, memory=FirstNamed)
def datagram_sent(memory: FirstNamed[bytes, _Node], scene: Scene, header: Iphc) -> None:
    """Count the datagrams of each node that leave its link: no RPL information belongs to what goes to a neighbour."""
    mac, packet = scene.frame.mac, header.header
    if mac is None or mac.source is None or mac.destination is None:
        return
    if ipv6.is_link_local(packet.source) or ipv6.is_link_local(packet.destination):
        return
    sender = memory.get(mac.source) or memory.entry(mac.source, _Node)
    if sender is not None:
        sender.sent += 1


@LOWPAN.rule("page-one-not-answered", lorh.Rpi, lorh.SrhLorh, lorh.IpInIp)
def page_one_sent(memory: FirstNamed[bytes, _Node], scene: Scene, _header: object) -> None:
    """Note who sends and who gets page 1."""
    mac = scene.frame.mac
    if mac is None or mac.source is None or mac.destination is None:
        return
    sender, receiver = (memory.entry(end, _Node) for end in (mac.source, mac.destination))
    if sender is not None:
        sender.speaks = True
    if receiver is not None and mac.destination != BROADCAST:
        receiver.paged.note(scene.number, most=8)


@LOWPAN.at_end("page-one-not-answered")
def page_one_not_answered(memory: FirstNamed[bytes, _Node], _known: Surroundings) -> Hits:
    """Name the nodes that never answered in kind."""
    for link, node in memory.items():
        if not node.speaks and len(node.paged) >= 5 and node.sent >= 20:
            cause = f"{link_text(link)} gets routing headers of page 1 and has never sent one"
            evidence = (f"{node.sent} datagrams of its own without",)
            yield Hit(cause, evidence, link_text(link), tuple(node.paged))


@LOWPAN.rule("old-header-compression", Legacy)
def old_header_compression(scene: Scene, _header: Legacy) -> Hits:
    """Say so."""
    yield Hit("datagrams are compressed with LOWPAN_HC1", (), scene.sender)
