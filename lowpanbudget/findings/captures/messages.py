"""Messages that are not as the design has them: length, values, interval."""

from ipaddress import IPv6Address
from math import sqrt
from statistics import median
from typing import NamedTuple

from lowpanbudget.capture.recent import Recent
from lowpanbudget.deployment.confidence import spread_of
from lowpanbudget.deployment.rhythm import PART_OFF, RhythmPart, TimedInterval, at_random, rhythm
from lowpanbudget.design.flow import Flow
from lowpanbudget.errors import plural
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.flows import FlowMatch
from lowpanbudget.findings.formats import padded_octets, payload_of
from lowpanbudget.findings.odd_messages import OddMessages, OddOfSources, failure_of
from lowpanbudget.findings.origins import origin_of
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.sealed_flows import is_message_of
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.unheard import may_have_sent
from lowpanbudget.findings.wording import octets_text, seconds_text
from lowpanbudget.layers.internet.coap.message import is_empty
from lowpanbudget.payload.message import Message
from lowpanbudget.values import dataclass, field

_MOST_GAPS, _MOST_PARTS = 512, 12
_MOST_SHOWN = 24  # octets of data
_ABOUT = 0.1  # so far from twice or half as planned still is that; our choice: no usual fault lies at this edge
# standard errors that the mean of one of many parts may be short by chance, and so many intervals at random moments in
# which that is no more than half of it, 10 % added; our choice
_ERRORS, _ENOUGH = 3, 44

MESSAGES = Subject("messages")


def _data(scene: Scene) -> tuple[Flow, bytes, list[Message]] | None:
    """Return flow, data and formats of its datagram with messages in the clear; None of any other."""
    match, design = scene.match, scene.known.design
    if scene.datagram is not None and scene.datagram.is_dropped:
        return None
    if match is None or match.back or design is None or not match.flow.messages:
        return None
    data = payload_of(match.flow, match.content)
    if data is None:
        return None
    return match.flow, data, [design.message(name) for name in match.flow.messages]


def _has_length(message: Message, data: bytes) -> bool:
    return message.min_octets <= len(data) <= message.max_octets


def _lengths_text(message: Message) -> str:
    low, high = message.min_octets, message.max_octets
    return f"{message.name} {low}" if low == high else f"{message.name} {low} to {high}"


def _octets_of(data: bytes) -> str:
    return f"data {data[:_MOST_SHOWN].hex(' ')}" + (" ..." if len(data) > _MOST_SHOWN else "")


@MESSAGES.rule("message-length-wrong", HeardDatagram, varies=True, concerns=concerns.design)
def message_length_wrong(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Compare the length with every format of the flow, and with formats padded as in C."""
    sent = _data(scene)
    if sent is None or any(_has_length(message, sent[1]) for message in sent[2]):
        return None
    flow, data, formats = sent
    if _is_of_burst(scene.known, flow, data):
        return None
    allowed = ", ".join(map(_lengths_text, formats))
    evidence = [
        f"the length of {message.name} with its fields aligned as in a C structure"
        for message in formats
        if padded_octets(message) == len(data)
    ]
    cause = f"flow {flow.name} carries {octets_text(len(data))}, its messages have {allowed}"
    subject = f"flow {flow.name}, {datagram.header.source}"
    return (Hit(cause, (*evidence[:1], _octets_of(data)), subject, datagram.numbers),)


def _is_of_burst(known: Surroundings, flow: Flow, data: bytes) -> bool:
    """Return whether data have the length of a burst that the design tries their flow with."""
    bursts = () if known.design is None else known.design.bursts
    return any(burst.flow == flow.name and burst.octets == len(data) for burst in bursts)


@MESSAGES.rule("message-values-implausible", HeardDatagram, memory=Recent, concerns=concerns.design)
def message_values_implausible(
    memory: OddOfSources, scene: Scene, datagram: HeardDatagram
) -> Hits | None:
    """Unpack, and when that fails look for what reads all such messages of the source."""
    sent = _data(scene)
    if sent is None:
        return None
    flow, data, every = sent
    formats = tuple(message for message in every if _has_length(message, data))
    if not formats:
        return None
    key = int(datagram.header.source), tuple(message.name for message in formats)
    messages = memory.get(key)
    if messages is None:
        messages = memory[key] = OddMessages(formats)
    failures = [failure_of(message, data) for message in formats]
    if not all(failures):
        messages.take_right(data)
        return None
    if _is_of_burst(scene.known, flow, data):
        return None
    messages.take_odd(data, scene.number)
    cause, advice = messages.reading()
    octets = _octets_of(data)
    evidence = (octets,) if failures[0] in cause else (failures[0], octets)
    return (Hit(cause, evidence, _messages_from(key), datagram.numbers, advice=advice),)


@MESSAGES.at_end("message-values-implausible")
def messages_implausible(memory: OddOfSources, _known: Surroundings) -> Hits:
    """Say what all of them say together: the first may be read in more ways."""
    for key, messages in memory.items():
        if messages.since:
            cause, advice = messages.reading()
            yield Hit(cause, (), _messages_from(key), advice=advice, restates=True)


def _messages_from(key: tuple[int, tuple[str, ...]]) -> str:
    return f"{key[1][0]} from {IPv6Address(key[0])}"


class _Gap(NamedTuple):
    """The time between two messages, the frame that began it, and whether none can have come by unheard in it."""

    interval: TimedInterval
    number: int
    is_sure: bool


@dataclass(slots=True)
class _Times:
    """When a source last sent in a flow, on the hop where that was heard first, and the times between.

    That message came over ``link``, and ``mark`` is what stays the same of it on its way. Of many times each second
    stays, again and again: each ``step``-th is taken.
    """

    flow: Flow
    every_s: float
    first_s: float
    last_s: float
    number: int
    link: bytes | None
    mark: int | None
    count: int = 0
    step: int = 1
    gaps: list[_Gap] = field(default_factory=list)

    def take(self, scene: Scene, datagram: HeardDatagram) -> None:
        """Take the next message."""
        time_s = scene.time_s
        if self.count % self.step == 0:
            gap = TimedInterval(self.last_s - self.first_s, time_s - self.last_s)
            is_long = gap.seconds > 2 * self.every_s * (1 - _ABOUT)
            is_sure = not is_long or not self._may_hold_others(scene, datagram)
            self.gaps.append(_Gap(gap, self.number, is_sure))
        self.count += 1
        self.last_s, self.number = time_s, scene.number
        self.link, self.mark = datagram.link_source, datagram.mark
        if len(self.gaps) > _MOST_GAPS:
            self.step *= 2
            del self.gaps[1::2]

    def _may_hold_others(self, scene: Scene, datagram: HeardDatagram) -> bool:
        """Return whether the numbers of its sender leave place for each message that was due since the last."""
        by = origin_of(scene, datagram.header) or scene.by
        seconds = scene.time_s - self.last_s
        parts = round(seconds / self.every_s)
        dues = [self.last_s + seconds * part / parts for part in range(1, parts)]
        if by is None or by.jumped > self.number:
            return by is not None
        return all(may_have_sent(by, due, self.every_s) for due in dues)

    def is_again(self, scene: Scene, datagram: HeardDatagram) -> bool:
        """Return whether it is the last message on a later hop, in a tunnel or sent once more."""
        is_soon = scene.time_s - self.last_s < self.every_s / 2
        return is_soon and datagram.link_source != self.link and datagram.mark == self.mark


# by flow and source; and, where it is planned for each node that it is sent to, by that
TimesOfSources = Recent[tuple[str, int, int | None], _Times]


@MESSAGES.rule("interval-off-plan", HeardDatagram, memory=Recent, concerns=concerns.design)
def message_sent(memory: TimesOfSources, scene: Scene, datagram: HeardDatagram) -> None:
    """Note the times."""
    match, passage = scene.match, scene.passage
    if match is None or match.back or (passage is not None and passage.in_mesh):
        return
    is_first = scene.from_its_source(datagram.header)
    if passage is not None and (not is_first or passage.round):
        return  # it was heard on a hop before, or comes round in a loop
    if datagram.is_sum_wrong:
        return  # somebody may have changed it on the way, and it was counted as it began
    flow, every_s = match.flow, match.flow.every_s
    if every_s is None or _is_said_again(scene, datagram) or _is_empty(match):
        return
    if not match.between or not is_message_of(flow, scene, datagram):
        return  # others may have its ports
    # one root sends to many: what goes down, and answers, come to each of them as often as is planned
    of_each = bool(flow.answers) or flow.direction == "down"
    to = int(datagram.destination) if of_each else None
    key = flow.name, int(datagram.header.source), to
    times = memory.get(key)
    if times is None:
        now, link = scene.time_s, datagram.link_source
        memory[key] = _Times(flow, every_s, now, now, scene.number, link, datagram.mark)
    elif scene.time_s >= times.last_s and (is_first or not times.is_again(scene, datagram)):
        times.take(scene, datagram)  # not without times


def _is_empty(match: FlowMatch) -> bool:
    """Return whether it only acknowledges or resets what came before, as with answers sent apart (RFC 7252 5.2.2)."""
    return match.flow.application.coap is not None and is_empty(match.content.payload)


def _is_said_again(scene: Scene, datagram: HeardDatagram) -> bool:
    """Return whether it is one message of CoAP once more, "with the same Message ID" (RFC 7252 section 4.2)."""
    begun = scene.begun
    return (
        begun is not None and begun.number != scene.number and begun.octets == datagram.udp_octets
    )


@MESSAGES.at_end("interval-off-plan")
def interval_off_plan(memory: TimesOfSources, known: Surroundings) -> Hits:
    """Judge each source by how long it sent otherwise; a burst that the design tries its flow with is no interval.

    Nor are times between what two devices send or get under one address, which is told.
    """
    bursts = () if known.design is None else known.design.bursts
    for (name, number, to), times in memory.items():
        if number in known.registered.shared or to in known.registered.shared:
            continue
        parts, is_random = _parts_of(times.gaps)
        off, all_s = _off_plan(times, parts, _ABOUT, is_random), _lasting(parts)
        if not off or _lasting(off) < PART_OFF * all_s:
            continue
        # the same rhythm, where some parts lie just beyond the edge
        off = _off_plan(times, parts, 2 * _ABOUT, is_random)
        off_s = _lasting(off)
        is_burst = off_s * times.step < times.every_s and any(one.flow == name for one in bursts)
        if is_burst and off[0].usual_s < times.every_s:
            continue
        source, middle = IPv6Address(number), median(part.usual_s for part in off)
        if is_random:
            middle = off_s / sum(part.intervals for part in off)
        way = "" if to is None else f" to {IPv6Address(to)}"
        cause = f"{source} sends{way} every {seconds_text(middle)} in flow {name}, planned are {times.every_s:g} s"
        count = min(sum(part.intervals for part in off) * times.step, times.count)
        kind = "mean" if is_random else "median"
        evidence = [f"{kind} of {plural(count, 'interval')}"]
        if len(off) < len(parts):
            evidence.append(f"for {off_s / all_s:.0%} of the time")
        began = next(one for one in times.gaps if one.interval.since_s == off[0].since_s)
        frames = (began.number,)
        yield Hit(cause, tuple(evidence), f"flow {name}, {source}{way}", frames)


def _parts_of(gaps: list[_Gap]) -> tuple[list[RhythmPart], bool]:
    """Return parts of the time with their usual interval, and whether that is the mean, of messages at random moments.

    Then few parts are made: windows of few random intervals are short by chance, and some of them always. A mean is of
    all: without the long ones it were too short. A clock is told by those that surely hold no other message.
    """
    sure = [one.interval for one in gaps if one.is_sure]
    parts, spread = rhythm(sure, _MOST_PARTS), spread_of([one.seconds for one in sure])
    if spread is None or not parts or not at_random(parts, spread):
        return parts, False
    every = [one.interval for one in gaps]
    parts = rhythm(every, min(max(len(gaps) // _ENOUGH, 1), _MOST_PARTS))
    return [part._replace(every_s=part.seconds / part.intervals) for part in parts], True


def _off_plan(
    times: _Times, parts: list[RhythmPart], about: float, is_random: bool
) -> list[RhythmPart]:
    """Return the parts in which messages came twice as often as planned, or half as often, or as good as that.

    Who leaves out every second message sends at twice the interval, more or less: ``about`` is how near counts. A mean
    must be shorter than chance makes one of so few: of n random intervals its deviation is the planned one by sqrt(n).
    """
    planned = times.every_s / max(len(times.flow.messages), 1)
    most = 2 * times.every_s * (1 - about)

    def least(part: RhythmPart) -> float:
        by_chance = _ERRORS / sqrt(part.intervals) if is_random else 0.0
        return planned * min((1 + about) / 2, 1 - by_chance)

    # where messages are missed here, a quarter of the intervals is still of those that follow each other
    return [part for part in parts if part.usual_s < least(part) or part.low_s > most]


def _lasting(parts: list[RhythmPart]) -> float:
    """Return how long parts last by their interval in the middle: in what is longer by far nobody may have listened."""
    return sum(part.usual_s * part.intervals for part in parts)
