"""Findings about messages that are not as the design has them: length, values, interval."""

from collections import OrderedDict
from statistics import median
from typing import Any

from lowpanbudget.errors import WireError, plural
from lowpanbudget.findings import flows
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.plan_rule import DESIGN, PlanRule
from lowpanbudget.findings.rule import NONE, Hits
from lowpanbudget.findings.scene import Known, Scene, Whole
from lowpanbudget.payload.message import Message

_SOURCES = 512
_GAPS = 16


class MessageLengthWrong(PlanRule):
    """A message has a length that its format cannot have.

    What it sees: data of a flow whose octets are fewer or more than any of the flow's message formats gives. Where the
    length is that of a format padded as C compilers lay structures out, that is said. Protected data are not judged.
    Why it costs: the receiver cannot read it, or reads fields from the wrong place.
    When it is no fault: a newer version of the format; then the design is old.
    Example: flow readings carries 4 octets, its messages have reading 3: one of padding behind a field of one octet.
    What to do: Write fields one by one instead of copying a structure; bring format and design together.
    """

    name = "message-length-wrong"
    severity = Severity.FAILURE
    certainty = Certainty.CONFIGURATION
    cite = DESIGN
    reads = (Whole,)
    varies = True

    def check(self, scene: Scene, thing: Whole) -> Hits:  # noqa: ARG002  # one signature for all rules
        """Compare the length with every format of the flow."""
        found = self.matched(thing)
        if (
            found is None
            or found[0].back
            or self.known.design is None
            or not found[0].flow.messages
        ):
            return NONE
        flow = found[0].flow
        data = flows.payload_of(flow, found[1])
        if data is None:
            return NONE
        formats = flows.messages_of(self.known.design, flow)
        if any(low <= len(data) <= high for low, high in map(flows.lengths, formats)):
            return NONE
        allowed = ", ".join(_range(one) for one in formats)
        padded = [one.name for one in formats if flows.padded_octets(one) == len(data)]
        evidence = [f"data {data[:24].hex(' ')}"]
        if padded:
            evidence.insert(
                0, f"the length of {padded[0]} with its fields aligned as in a C structure"
            )
        cause = (
            f"flow {flow.name} carries {plural(len(data), 'octet')}, its messages have {allowed}"
        )
        return (
            Hit(cause, tuple(evidence), f"flow {flow.name}, {thing.header.source}", thing.numbers),
        )


def _range(message: Message) -> str:
    low, high = flows.lengths(message)
    return f"{message.name} {low}" if low == high else f"{message.name} {low} to {high}"


class MessageValuesImplausible(PlanRule):
    """A message has values outside of their range, and another reading brings them inside.

    What it sees: data of a flow that have the right length and that no format of the flow can read, while a format with
    the other byte order, or with one number signed where it is unsigned (or the other way round), can. Twice or more.
    Why it costs: the receiver shows 650 degrees in winter, or rejects what is right.
    When it is no fault: a message damaged by its sender, which fits another reading by chance: hence twice.
    Example: field temperature has code 65336, which stands for no value: the sender writes it signed.
    What to do: State sign and byte order in the format, and test with a negative value.
    """

    name = "message-values-implausible"
    severity = Severity.FAILURE
    certainty = Certainty.CONFIGURATION
    cite = DESIGN
    reads = (Whole,)
    least = 2
    varies = True

    def check(self, scene: Scene, thing: Whole) -> Hits:  # noqa: ARG002
        """Unpack, and when that fails try the variants."""
        found = self.matched(thing)
        if (
            found is None
            or found[0].back
            or self.known.design is None
            or not found[0].flow.messages
        ):
            return NONE
        flow = found[0].flow
        data = flows.payload_of(flow, found[1])
        if data is None:
            return NONE
        formats = [
            one for one in flows.messages_of(self.known.design, flow)
            if flows.lengths(one)[0] <= len(data) <= flows.lengths(one)[1]
        ]  # fmt: skip
        failures = [text for one in formats if (text := _failure(one, data))]
        if not formats or len(failures) < len(formats):
            return NONE
        for one in formats:
            for variant in flows.variants(one):
                if not _failure(variant.message, data):
                    cause = f"{one.name} cannot be read as designed; it can when {variant.text}"
                    evidence = (failures[0], f"data {data[:24].hex(' ')}")
                    return (
                        Hit(
                            cause, evidence, f"{one.name} from {thing.header.source}", thing.numbers
                        ),
                    )
        return NONE


def _failure(message: Message, data: bytes) -> str:
    try:
        message.unpack(data)
    except WireError as error:
        return error.message
    return ""


class IntervalOffPlan(PlanRule):
    """A node sends more or less often than the design plans.

    What it sees: the median of at least 5 times between datagrams of one source in a flow with every_s, on the hop
    where they were seen first. Below half of what is planned (shared among the flow's messages) is a risk, over twice
    as long a remark.
    Why it costs: airtime, energy and queues were planned for the interval; too few messages are data that are missing.
    When it is no fault: events and requests on the same ports; a capture that misses most frames.
    Example: 2001:db8:1::ff:fe00:17 sends every 6 s in flow readings, planned are 60 s.
    What to do: Set the interval, or plan for it.
    """

    name = "interval-off-plan"
    severity = Severity.RISK
    certainty = Certainty.CONFIGURATION
    cite = DESIGN
    reads = (Whole,)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.seen: OrderedDict[tuple[str, bytes], list[Any]] = OrderedDict()

    def check(self, scene: Scene, thing: Whole) -> Hits:
        """Note the times."""
        found = self.matched(thing)
        if found is None or found[0].back or found[0].flow.every_s is None:
            return NONE
        flow = found[0].flow
        key = (flow.name, thing.octets[8:24])
        entry = self.seen.get(key)
        if entry is None:
            self.seen[key] = [
                flow,
                scene.time_s,
                [],
                thing.link_source,
                scene.number,
                thing.header.source,
            ]
            if len(self.seen) > _SOURCES:
                self.seen.popitem(last=False)
        elif entry[3] == thing.link_source:
            if not scene.time_s - entry[1] >= 0:
                return NONE  # also without times
            entry[2].append(scene.time_s - entry[1])
            entry[1] = scene.time_s
            if len(entry[2]) > _GAPS:
                del entry[2][0]
        return NONE

    def close(self) -> Hits:
        """Judge each source."""
        for flow, _, gaps, _, number, source in self.seen.values():
            if len(gaps) < 5:
                continue
            middle = median(gaps)
            often = middle < flow.every_s / 2 / max(len(flow.messages), 1)
            if not often and middle <= 2 * flow.every_s:
                continue
            cause = f"{source} sends every {middle:.3g} s in flow {flow.name}, planned are {flow.every_s:g} s"
            severity = Severity.RISK if often else Severity.REMARK
            yield Hit(
                cause,
                (f"median of {len(gaps)} intervals",),
                f"flow {flow.name}, {source}",
                (number,),
                severity,
            )
