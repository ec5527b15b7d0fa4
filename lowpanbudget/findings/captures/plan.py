"""What the air does otherwise than the design plans."""

from lowpanbudget.cites import rfc
from lowpanbudget.design.flow import FIRST, Flow
from lowpanbudget.env import IID_MASK, SHORT_IID, UNIVERSAL_LOCAL, interface_identifier
from lowpanbudget.findings import concerns
from lowpanbudget.findings.begun import is_of_traffic, who_began
from lowpanbudget.findings.captures.longer import (
    OLD_RULE,
    OTHER_PREFIX,
    UNUSED,
    compared_headers,
    foreign_source,
    legal_reasons,
    longer_hits,
    old_source,
    rightly,
    tunnel_is_missing,
    under_route,
    unused_context,
    whole_headers,
)
from lowpanbudget.findings.datagrams import HeardDatagram, headers_frame
from lowpanbudget.findings.exchanges import message_carried
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.flows import (
    link_bits,
    path_of,
)
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.sealed_flows import (
    sealed_as_heard,
    sealed_longer,
)
from lowpanbudget.findings.senders import pan_of
from lowpanbudget.findings.wording import octets_text
from lowpanbudget.findings.wrong_sums import source_name
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.link.auxiliary import LEVELS, SecurityLevel
from lowpanbudget.layers.link.mac import BROADCAST, FrameType, Mac
from lowpanbudget.layers.lowpan.forms import HLIM
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.nhc import UdpNhc

PLAN = Subject("plan", across=True)


@PLAN.rule("longer-than-budgeted", HeardDatagram)
def longer_than_budgeted(scene: Scene, datagram: HeardDatagram) -> Hits:
    """Compare field by field with the first hop, or the longest."""
    match, design = scene.match, scene.known.design
    if design is None or match is None or match.back or datagram.fragments > 1:
        return
    if scene.passage is not None and scene.passage.round:
        return  # a loop, which no plan has
    first = _is_on_first_hop(scene, datagram, match.flow)
    path = path_of(design, match.flow, first=first)
    hop = f"the {path.hop.name} hop"
    # who sends and passes on does two things, each against a budget of its own
    where = "" if path.hop.name == FIRST else f" on {hop}"
    subject = f"flow {match.flow.name}, {scene.sender}{where}"
    sealed = sealed_as_heard(match.flow, message_carried(datagram))
    if sealed is not None:
        plain, path = path, path_of(design, sealed, first=first)
        yield sealed_longer(plain, path, scene.opened, subject)
    both = compared_headers(scene, path, datagram, match)
    if both is None:
        return
    if is_of_traffic(both):
        by = who_began(scene, match.flow.name, "traffic", first=first)
        subject = subject if by == scene.sender else f"flow {match.flow.name}, {by}"
    longer = tuple(longer_hits(both, scene, subject, hop))
    reasons = tuple(legal_reasons(scene, datagram, match.flow)) if longer else ()
    if reasons:
        flow, by_tunnel = path.flow, tunnel_is_missing(match.flow, datagram)
        legal = path_of(design, flow.tunnelled(), first=first) if by_tunnel else path
        both = compared_headers(scene, legal, datagram, match) or both
        both = both._replace(planned=under_route(scene, both.planned))
        where = " ".join((hop, *(reason.where for reason in reasons)))
        beyond = tuple(longer_hits(both, scene, subject, where))
        longer = beyond or tuple(rightly(hit, reasons) for hit in longer)
    why, advice = foreign_source(scene, datagram, match.flow) if longer else "", OTHER_PREFIX
    if longer and not why:
        why, advice = old_source(scene, datagram), OLD_RULE
    if why:
        by = who_began(scene, match.flow.name, why, first=first)
        longer = tuple(
            hit._replace(subject=hit.subject.replace(scene.sender, by, 1)) for hit in longer
        )
    unused = unused_context(scene, datagram, both) if longer and not why else ()
    if unused:
        why, advice = unused[0], UNUSED
    for hit in longer:
        told = hit._replace(
            cause=f"{hit.cause}: {why}", evidence=(*hit.evidence, *unused[1:]), advice=advice
        )
        yield told if why else hit


def _is_on_first_hop(scene: Scene, datagram: HeardDatagram, flow: Flow) -> bool:
    """Return whether nobody passed a datagram on: by its link source, or by a hop limit that is still whole."""
    if scene.iphc is not None and scene.from_its_source(scene.iphc.header):
        return scene.from_its_source(datagram.outer)  # else it comes in the tunnel of another
    if scene.passage is not None or _is_of_another(scene, datagram):
        return False  # whoever passes it on has not lowered that limit
    return flow.source.role != "outside" and datagram.outer.hop_limit == flow.hop_limit


def _is_of_another(scene: Scene, datagram: HeardDatagram) -> bool:
    """Return whether the source is made of another link address of the same length: a short one, or one heard here."""
    mac, link, identifier = scene.mac, scene.link_source, int(datagram.header.source) & IID_MASK
    if mac is None or link is None or identifier == interface_identifier(link):
        return False
    if len(link) == 2:
        return identifier >> 16 == SHORT_IID >> 16
    extended = (identifier ^ UNIVERSAL_LOCAL).to_bytes(8, "big")
    return (pan_of(mac), extended) in scene.known.senders


@PLAN.rule("longer-than-budgeted", Mac)
def sealed_longer_than_budgeted(scene: Scene, mac: Mac) -> Hits:
    """Compare the MAC header and integrity code of a sealed frame with the longest."""
    design = scene.known.design
    if design is None or scene.payload is not None or not design.flows:
        return
    # where the header of a frame with a fault ends is not known
    if mac.fault is not None or not _is_of_the_design(scene, mac):
        return
    if mac.destination == BROADCAST and all(flow.group is None for flow in design.flows):
        return  # it belongs to the network itself, not to a flow
    paths = (path_of(design, flow, first=False) for flow in design.flows)
    planned = max(map(link_bits, paths), key=lambda bits: sum(bits.values()))
    yield from longer_hits(whole_headers(scene, planned), scene, scene.sender, "sealed frames")


def _is_of_the_design(scene: Scene, mac: Mac) -> bool:
    """Return whether it is a data frame of the design's PAN, or of none that it names."""
    design = scene.known.design
    if design is None or mac.frame_type != FrameType.DATA:
        return False
    return mac.pan_id in {None, design.link.pan_id, design.link.destination_pan_id}


@PLAN.rule("headers-not-as-planned", HeardDatagram)
def headers_not_as_planned(scene: Scene, datagram: HeardDatagram) -> Hits:
    """Look at what makes no frame longer, as the first one has it: an elided checksum, and the first hop limit."""
    match, fragmented = scene.match, datagram.fragments > 1
    if match is None or match.back:
        return
    first = headers_frame(scene.frame, scene.fragmented)
    if first is None:
        return  # nobody knows any more how it was compressed
    flow, header, frames = match.flow, datagram.iphc, datagram.numbers if fragmented else ()
    compressed = next((one for one in reversed(first.layers) if isinstance(one, UdpNhc)), None)
    elided = compressed is not None and compressed.checksum is None
    told = any(notice.name == "elided-without-check" for notice in first.notices)
    if elided and not told and not flow.elide_udp_checksum:
        cause = f"flow {flow.name} elides its UDP checksum, which the design carries"
        by = who_began(scene, flow.name, "elided", first=_is_on_first_hop(scene, datagram, flow))
        yield Hit(cause, (), f"{by}: UDP checksum of flow {flow.name}", frames)
    tunnelled = sum(isinstance(one, Iphc | Ipv6) for one in first.layers) > 1
    is_routed = tunnelled or concerns.source_route(
        scene
    )  # which may go without (RFC 9008 section 8)
    if flow.routing.rpi and not is_routed and datagram.rpl_option is None:
        yield _without_rpi(scene, flow, frames)
    if header is None or tunnelled or scene.passage is not None:
        return
    limit, planned = header.header.hop_limit, flow.hop_limit
    # where it goes in line alone, a frame is longer than budgeted for; of fragments nothing else tells that
    as_long = HLIM.best(limit).row.inline == HLIM.best(planned).row.inline or fragmented
    if limit != planned and as_long and scene.from_its_source(header.header):
        cause = f"flow {flow.name} starts with hop limit {limit}, the design has {planned}"
        subject, cite = f"{scene.sender}: hop limit of flow {flow.name}", rfc(8200, "3")
        yield Hit(cause, (), subject, frames, Severity.REMARK, _LIMIT, cite=cite)


def _without_rpi(scene: Scene, flow: Flow, frames: tuple[int, ...]) -> Hit:
    """Return that RPL information is missing: its source may leave it to the first router, no router to the next."""
    subject, cite = f"{scene.sender}: RPL information", rfc(6550, "11.2.2.1")
    cause = "datagrams are forwarded without RPL information, and none is inserted"
    hit = Hit(cause, (f"flow {flow.name}",), subject, frames, advice=_INSERT, cite=cite)
    if scene.passage is not None:
        return hit
    cause = "datagrams carry no RPL information, which the design has"
    return hit._replace(cause=cause, severity=Severity.REMARK, advice=_RPI)


_RPI = (
    "Let the node send it, or its first router insert it; where nobody is meant to, set rpi = false in the routing of "
    "the flow: it takes octets in the plan."
)
_INSERT = (
    "Let the router insert what is missing: without it nobody finds a loop by ranks, nor the instance of a packet. "
    "Where the network goes without, set rpi = false in the routing of the flow."
)
_LIMIT = "Bring node and design together: it bounds over how many hops a datagram may go, and how long a loop lasts."


@PLAN.rule("fragments-not-planned", HeardDatagram)
def fragments_not_planned(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Compare frames with the flow's allowance."""
    match = scene.match if datagram.fragments > 1 else None
    if match is None or match.back or datagram.fragments <= match.flow.most_frames:
        return None
    flow = match.flow
    cause = f"a message of flow {flow.name} took {datagram.fragments} frames, {flow.most_frames} allowed"
    payload = f"{len(match.content.payload)} octets of UDP payload"
    evidence = (f"{payload}, datagram of {len(datagram.octets)}",)
    return (Hit(cause, evidence, f"flow {flow.name}, {scene.sender}", datagram.numbers),)


@PLAN.rule("security-not-as-planned", Mac)
def security_not_as_planned(scene: Scene, mac: Mac) -> Hits:
    """Compare the levels."""
    design = scene.known.design
    if design is None or not _is_of_the_design(scene, mac):
        return
    security = design.link.security
    planned = 0 if security is None else security.level
    level = 0 if mac.security is None else mac.security.level
    if level != planned:
        now, then = LEVELS[level], LEVELS[planned]
        cause = f"frames have level {level} ({now.name}), the design has {planned} ({then.name})"
        if not now.lacks_of(then):
            yield Hit(cause, (), scene.sender, severity=Severity.REMARK, advice=_MORE)
        else:
            yield Hit(cause, (), scene.sender, advice=_less(now, then))
    elif level and security is not None and mac.security is not None:
        mode = mac.security.key_id_mode
        if mode != security.key_id_mode:
            cause = f"frames have key id mode {mode}, the design has {security.key_id_mode}"
            yield Hit(cause, (), scene.sender, severity=Severity.REMARK, advice=_MODE)


_MODE = (
    "Set link.security.key_id_mode to what nodes use, so that headers are planned as long as they are; or give all "
    "nodes the one of the plan."
)
_MORE = "Plan with the level that the node has: it protects as the design wants and more, and takes octets of its own."


def _less(now: SecurityLevel, then: SecurityLevel) -> str:
    """Return what to do about frames that lack protection: of those with some it is told what they lack."""
    if not (now.mic or now.encrypted):
        return ""
    lacks = ["encryption"] * (then.encrypted > now.encrypted)
    lacks += [f"an integrity code of {octets_text(then.mic)}"] * (then.mic > now.mic)
    return (
        f"Give the node the level of the design: its frames are secured, and lack {' and '.join(lacks)}; never lower "
        "the plan to match."
    )


@PLAN.rule("acknowledgement-not-as-planned", Mac, least=5)
def acknowledgement_not_as_planned(scene: Scene, mac: Mac) -> Hits:
    """Compare what frames to one node ask for (field AR); what goes to all asks for none."""
    design = scene.known.design
    if design is None or mac.destination in {None, BROADCAST} or not _is_of_the_design(scene, mac):
        return
    asks, planned = mac.ack_request, design.link.acknowledged
    if asks and not planned:
        cause = "frames ask for an acknowledgement, and the design has none (link.acknowledged)"
        yield Hit(cause, (), scene.sender, severity=Severity.REMARK, advice=_ANSWERED)
    elif planned and not asks:
        cause = "frames ask for no acknowledgement, and the design has one (link.acknowledged)"
        yield Hit(cause, (), scene.sender)


_ANSWERED = (
    "Set link.acknowledged = true: the plan then counts the acknowledgements, and what they save."
)


@PLAN.rule("pan-not-in-design", Mac, least=3)
def pan_not_in_design(scene: Scene, mac: Mac) -> Hits:
    """Compare PAN IDs; what a given key opens is no neighbour's, and its node is named."""
    if mac.frame_type != FrameType.DATA or not scene.is_beside_design:
        return
    cause = f"frames carry PAN ID {mac.pan_id:#06x}"
    if scene.frame.verified:
        cause += ", and a key that was given opens them"
        yield Hit(cause, (), scene.sender, severity=Severity.RISK, advice=_OWN_PAN)
    else:
        yield Hit(cause, (), f"PAN {mac.pan_id:#06x}")


_OWN_PAN = (
    "Give the node the PAN ID of the design, link.pan_id, or the design that of the node: who has the key belongs to "
    "the network, and receivers filter by PAN ID."
)


@PLAN.rule("port-not-in-design", HeardDatagram, varies=True, concerns=concerns.unplanned)
def port_not_in_design(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Look ports up; where a flow has CoAP, its port is planned."""
    design, content = scene.known.design, datagram.udp
    if design is None or content is None or scene.is_beside_design:
        return None
    if scene.match is not None or datagram.is_dropped:
        return None
    if content.is_coap and any(flow.application.coap for flow in design.flows):
        return None
    source, to = f"{content.source_port:#06x}", f"{content.destination_port:#06x}"
    ports, of = f"{source} to {to}", source_name(scene)
    evidence = f"{octets_text(len(content.payload))} of data"
    if any(flow.destination_port == content.destination_port for flow in design.flows):
        # one of its own each time is one mistake, however many there were
        cause = f"UDP to port {to}, which a flow has, comes from a port that none has"
        return (Hit(cause, (f"from port {source}",), f"{of}: ports to {to}", datagram.numbers),)
    cause = f"UDP from port {ports}, which no flow has"
    return (Hit(cause, (evidence,), f"{of}: ports {ports}", datagram.numbers),)
