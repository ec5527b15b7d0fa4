"""Findings about what the air does otherwise than the design plans."""

from lowpanbudget.cites import rfc
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import plural
from lowpanbudget.findings import flows
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.plan_rule import DESIGN, HEADERS, PlanRule
from lowpanbudget.findings.rule import NONE, Hits
from lowpanbudget.findings.scene import Scene, Whole
from lowpanbudget.findings.shortest import from_its_source
from lowpanbudget.layers.link.auxiliary import LEVELS, LEVELS_CITE
from lowpanbudget.layers.link.mac import BROADCAST, FrameType, Mac
from lowpanbudget.stack.upper import COAP_PORT


class LongerThanBudgeted(PlanRule):
    """Headers are longer than the design budgets.

    What it sees: a frame of a flow of the design whose headers take more octets than the budget of that hop: of the
    first hop where the source address follows from the link source, else of the longest. The fields that are longer
    are named, and the frame since which they are. Data behind the headers are not counted. Of frames that no key opens
    the MAC header and integrity code alone are compared.
    Why it costs: the room that was planned is not there: the greatest message is cut into fragments.
    When it is no fault: answers, which go the other way, are not compared. An application header with options
    that the design leaves out is what this is for.
    Example: IPHC hop limit: 1 octet, planned none: headers take 1 octet more than budgeted for the first hop, since
    frame 1.
    What to do: Bring node and design together: change the setting, or budget for what is sent.
    """

    name = "longer-than-budgeted"
    severity = Severity.RISK
    certainty = Certainty.CONFIGURATION
    cite = HEADERS
    reads = (Whole, Mac)

    def check(self, scene: Scene, thing: Whole | Mac) -> Hits:
        """Compare field by field; of a sealed frame the MAC header and integrity code."""
        design = self.known.design
        if design is None:
            return NONE
        if isinstance(thing, Mac):
            return self._sealed(scene, thing, design)
        found = self.matched(thing)
        if found is None or found[0].back or thing.fragments > 1:
            return NONE
        first = scene.iphc is not None and from_its_source(scene, scene.iphc)
        path = flows.path_of(design, found[0].flow, first=first)
        about = f"flow {found[0].flow.name}, {scene.sender}"
        return _compared(scene, flows.planned_bits(path), about, f"the {path.hop.name} hop")

    def _sealed(self, scene: Scene, thing: Mac, design: Design) -> Hits:
        if scene.payload is not None or thing.frame_type != FrameType.DATA or not design.flows:
            return NONE
        if thing.fault is not None:
            return NONE  # where its header ends is not known
        if thing.destination == BROADCAST and all(one.group is None for one in design.flows):
            return NONE  # it belongs to the network itself, not to a flow
        if thing.pan_id not in {None, design.link.pan_id, design.link.destination_pan_id}:
            return NONE
        paths = [flows.path_of(design, flow, first=False) for flow in design.flows]
        planned = max(map(flows.link_bits, paths), key=lambda bits: sum(bits.values()))
        return _compared(scene, planned, scene.sender, "sealed frames")


def _compared(scene: Scene, planned: flows.FieldBits, about: str, where: str) -> Hits:
    """Return a hit when the frame's headers are longer than planned; with the fields that are."""
    seen = flows.field_bits(scene.frame.spans)
    over = sum(seen.values()) - sum(planned.values())
    if over < 8:
        return NONE
    longer = [
        f"{layer} {name}: {_octets(bits)}, planned {_octets(planned.get((layer, name), 0))}"
        for (layer, name), bits in seen.items()
        if bits > planned.get((layer, name), 0)
    ]
    cause = (
        f"headers take {_octets(over)} more than budgeted for {where}, since frame {scene.number}"
    )
    return (Hit(cause, tuple(longer[:4]), f"{about}: {', '.join(_names(longer))}"),)


def _names(longer: list[str]) -> list[str]:
    return [text.partition(":")[0] for text in longer[:6]]


def _octets(bits: int) -> str:
    if bits % 8:
        return f"{bits} bits"
    if not bits:
        return "none"
    return "1 octet" if bits == 8 else f"{bits // 8} octets"


class FragmentsNotPlanned(PlanRule):
    """A flow takes more frames for a message than the design allows.

    What it sees: a datagram of a flow of the design that came in more frames than the flow's most_frames.
    Why it costs: more airtime and energy, and a message is lost when any of its frames is.
    When it is no fault: never by the plan; raise most_frames if it is meant.
    Example: a message of flow readings took 2 frames, 1 allowed.
    What to do: Look with fit what the message takes on each hop; shorten it, or find which header grew.
    """

    name = "fragments-not-planned"
    severity = Severity.RISK
    certainty = Certainty.CONFIGURATION
    cite = rfc(4944, "5.3")
    reads = (Whole,)

    def check(self, scene: Scene, thing: Whole) -> Hits:
        """Compare frames with the flow's allowance."""
        if thing.fragments < 2:
            return NONE
        found = self.matched(thing)
        if found is None or found[0].back or thing.fragments <= found[0].flow.most_frames:
            return NONE
        flow = found[0].flow
        cause = f"a message of flow {flow.name} took {thing.fragments} frames, {flow.most_frames} allowed"
        evidence = (f"{len(found[1])} octets of UDP payload, datagram of {len(thing.octets)}",)
        return (Hit(cause, evidence, f"flow {flow.name}, {scene.sender}", thing.numbers),)


class SecurityNotAsPlanned(PlanRule):
    """Frames are secured otherwise than the design says.

    What it sees: data frames of the design's PAN whose security level is not the design's. A lower level, or none, is a
    failure; a higher one a remark, since it costs octets that nobody budgeted.
    Why it costs: weaker frames can be read or forged; different levels also mean different room.
    When it is no fault: a node that joins sends its first frames unsecured; those are commands or go to one port, and
    still deserve a look.
    Example: 0x0017 sends with level 0 (none), the design has 5 (ENC-MIC-32).
    What to do: Find out why the node is not secured before anything else; never lower the plan to match.
    """

    name = "security-not-as-planned"
    severity = Severity.FAILURE
    certainty = Certainty.CONFIGURATION
    cite = LEVELS_CITE
    reads = (Mac,)

    def check(self, scene: Scene, thing: Mac) -> Hits:
        """Compare the levels."""
        design = self.known.design
        if design is None or thing.frame_type != FrameType.DATA or not scene.octets:
            return NONE
        if thing.pan_id not in {None, design.link.pan_id, design.link.destination_pan_id}:
            return NONE
        planned = 0 if design.link.security is None else design.link.security.level
        level = 0 if thing.security is None else thing.security.level
        if level == planned:
            return NONE
        now, then = LEVELS[level], LEVELS[planned]
        weaker = now.mic < then.mic or now.encrypted < then.encrypted
        cause = f"{scene.sender} sends with level {level} ({now.name}), the design has {planned} ({then.name})"
        return (Hit(cause, (), scene.sender, severity=None if weaker else Severity.REMARK),)


class PanNotInDesign(PlanRule):
    """Frames of another PAN are in the capture.

    What it sees: three data frames or more with a PAN ID that is neither the design's nor broadcast.
    Why it costs: another network shares the channel, or a node is set to the wrong PAN.
    When it is no fault: networks of neighbours. Hence only a remark.
    Example: frames carry PAN ID 0x51b8, and the design has another.
    What to do: If the node is yours, set its PAN ID; else consider another channel.
    """

    name = "pan-not-in-design"
    severity = Severity.REMARK
    certainty = Certainty.CONFIGURATION
    cite = DESIGN
    reads = (Mac,)
    least = 3

    def check(self, scene: Scene, thing: Mac) -> Hits:  # noqa: ARG002  # one signature for all rules
        """Compare PAN IDs."""
        design, pan = self.known.design, thing.pan_id
        if design is None or thing.frame_type != FrameType.DATA or pan in {None, 0xFFFF}:
            return NONE
        if pan in {design.link.pan_id, design.link.destination_pan_id}:
            return NONE
        return (Hit(f"frames carry PAN ID {pan:#06x}", (), f"PAN {pan:#06x}"),)


class PortNotInDesign(PlanRule):
    """UDP goes between ports that no flow of the design has.

    What it sees: a datagram whose ports, either way round, belong to no flow. Where a flow has CoAP, answers and
    requests of other paths between its ports count as planned.
    Why it costs: traffic that nobody budgeted: diagnostics left on, another application, an attack.
    When it is no fault: traffic of the network itself that the design leaves out, such as time or address services.
    Example: UDP from port 0xf0b3 to 0xf0b4, which no flow has.
    What to do: Add a flow for it, or switch it off.
    """

    name = "port-not-in-design"
    severity = Severity.RISK
    certainty = Certainty.CONFIGURATION
    cite = DESIGN
    reads = (Whole,)

    def check(self, scene: Scene, thing: Whole) -> Hits:  # noqa: ARG002  # one signature for all rules
        """Look ports up."""
        if self.book is None or self.known.design is None:
            return NONE
        found = thing.udp()
        if found is None or self.book.match(thing, found[0], found[1]) is not None:
            return NONE
        if (
            any(flow.application.coap for flow in self.known.design.flows)
            and COAP_PORT in found[:2]
        ):
            return NONE
        ports = f"{found[0]:#06x} to {found[1]:#06x}"
        cause = f"UDP from port {ports}, which no flow has"
        return (
            Hit(
                cause,
                (f"{plural(len(found[2]), 'octet')} of data",),
                f"ports {ports}",
                thing.numbers,
            ),
        )
