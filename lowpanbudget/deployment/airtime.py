"""``airtime``: what each message of a design takes on the air, hop by hop, from frames that were really encoded."""

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Literal, NamedTuple

from lowpanbudget.bits import StandInOctets
from lowpanbudget.deployment.digits import beside, limit_percent, percent
from lowpanbudget.deployment.timeline import FrameAirtime, total, transmission
from lowpanbudget.design.access import Access
from lowpanbudget.design.answer import empty_flows
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.design.flow import FIRST, Flow
from lowpanbudget.design.goals import Limits
from lowpanbudget.design.lacking import lacking
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.upkeep import upkeep_frames
from lowpanbudget.layers.link.phy import PhyTiming
from lowpanbudget.room.fit import Fit, fit
from lowpanbudget.stack.encoding import Encoded
from lowpanbudget.values import dataclass, field, replace


@dataclass(frozen=True, slots=True)
class FrameTimes:
    """Frames of one message that take equal times: the numbers of the ``first`` and ``last``, and those times."""

    first: int
    last: int
    times: FrameAirtime

    @property
    def count(self) -> int:
        """Return how many they are."""
        return self.last - self.first + 1


class BrokenLimit(NamedTuple):
    """What a message breaks by itself, in words: ``measured`` against ``allowed`` in ``unit``.

    ``is_own``: it is one of the design's ``[limits]``, not of its slots. Of ``readings`` it breaks that none can be
    made.
    """

    matter: Literal["readings", "frame", "acknowledgement", "duty"]
    text: str
    measured: float
    allowed: float
    unit: str
    is_own: bool = True


@dataclass(frozen=True, slots=True)
class MessageAirtime:
    """What one message of one flow takes on one hop.

    ``octets`` are the application's, of the greatest message or of one that collects ``readings``. A node takes a
    reading each ``every_s`` seconds and sends each ``sends_every_s`` (None: the design does not say), answers as often
    as requests come. ``on_air_us``: all frames of one message, sent once; ``duty_cycle`` the part of the time in which
    that keeps one sender on the air. ``energy_uj`` and ``receiver_uj`` are microjoules a message, None without the
    values of a radio. ``broken``: why it cannot be made, and which limits of the slot or of the design it breaks, none
    when it may be sent so; ``over`` is that in words.
    """

    flow: str
    hop: str
    direction: str
    message: str
    octets: int
    readings: int
    every_s: float | None
    sends_every_s: float | None
    frames: tuple[FrameTimes, ...]
    on_air_us: float
    duty_cycle: float | None
    energy_uj: Estimate | None
    receiver_uj: Estimate | None
    broken: tuple[BrokenLimit, ...] = field(repr=False)

    @property
    def over(self) -> tuple[str, ...]:
        """Return in words which limits it breaks."""
        return tuple(one.text for one in self.broken)

    @property
    def count(self) -> int:
        """Return how many frames one message takes."""
        return sum(group.count for group in self.frames)

    @property
    def fits(self) -> bool:
        """Return whether it can be made, and keeps to the slot and to the design's own limits."""
        return not self.broken


UPKEEP = "upkeep"
_ROUNDING = 1e-12


def airtime(design: Design, flow: str | None = None) -> list[MessageAirtime]:
    """Return what each message takes on the air on each hop: of the flow of this name, or of all and of the upkeep.

    Each frame is sent once, heard and answered, on a quiet channel. Times are in microseconds, energies in
    microjoules. Raises ``RequestError`` for what is no design, a flow that the design does not have, a design without
    ``[access]``, or a PHY whose timing is not known.
    """
    design = Design.of(design)
    one = None if flow is None else design.flow(flow)
    if design.access is None:
        raise lacking(design, "access")
    if one is None:
        return list(_of_all(design, design.access, design.link.timing))
    flows = tuple(each for each in design.flows if each.name in (one.name, one.answers))
    found = _messages(design, flows, design.access, design.link.timing)
    return [each for each in found if each.flow == one.name]


@lru_cache(
    maxsize=4
)  # what is carried, what would help and what is found of a design all ask for them
def _of_all(design: Design, access: Access, timing: PhyTiming) -> tuple[MessageAirtime, ...]:
    return (*_messages(design, design.flows, access, timing), *_upkeep(design, access, timing))


def _messages(
    design: Design, flows: Sequence[Flow], access: Access, timing: PhyTiming
) -> list[MessageAirtime]:
    """Return what the messages of these flows take: those that they name, and empty requests and answers."""
    fits = _fits(design, flows)
    found: list[MessageAirtime] = []
    empty = {flow.name for flow in empty_flows(design.flows)}
    for flow in flows:
        found += (_of_fit(design, one, access, timing) for one in fits.get(flow.name, ()))
        if flow.name in empty:
            found += _of_nothing(design, flow, access, timing)
    return answered(design, found)


def answered(design: Design, messages: Sequence[MessageAirtime]) -> list[MessageAirtime]:
    """Return the same where each answer is sent as often as the requests among ``messages`` come that it answers.

    Of several messages that an answer names each answers as many of them.
    """
    rates: dict[str, float | None] = {}
    for one in messages:
        if one.hop == FIRST:
            before = rates.get(one.flow, 0.0)
            is_known = before is not None and one.sends_every_s is not None
            rates[one.flow] = (before or 0.0) + 1 / (one.sends_every_s or 1.0) if is_known else None
    flows = {flow.name: flow for flow in design.flows}

    def paced(one: MessageAirtime) -> MessageAirtime:
        flow = flows.get(one.flow)
        if flow is None or flow.answers not in rates:
            return one
        rate = rates[flow.answers]
        every = None if rate is None else max(len(flow.messages), 1) / rate
        return _sent_each(one, every, design)

    return [paced(one) for one in messages]


def airtime_of(design: Design, one: Fit) -> MessageAirtime:
    """Return what a message that fits so takes on the air; raises as ``airtime``."""
    if design.access is None:
        raise lacking(design, "access")
    return _of_fit(design, one, design.access, design.link.timing)


def _of_fit(design: Design, one: Fit, access: Access, timing: PhyTiming) -> MessageAirtime:
    path = next(p for p in design.paths(design.flow(one.flow)) if p.hop.name == one.hop)
    frames = () if one.frames is None else tuple(path.frames(StandInOctets(one.octets)))
    answer = path.link.acknowledgement(path.hop.source, path.hop.destination)
    groups = tuple(_grouped(frames, answer, timing, access, design))
    on_air = sum(group.count * group.times.on_air_us for group in groups)
    return _sent_each(
        MessageAirtime(
            one.flow, one.hop, one.direction, one.message, one.octets, one.readings,
            None if path.flow.answers else path.flow.every_s, None, groups, on_air, None, *_energies(groups),
            tuple(_unmade(one)),
        ),
        one.sends_every_s, design,
    )  # fmt: skip


def _unmade(one: Fit) -> Iterator[BrokenLimit]:
    """Yield that no message can be made, however it is sent."""
    if one.spanned is not None:
        yield BrokenLimit(
            "readings", one.unmade, one.readings, one.spanned, "readings", is_own=False
        )


def _of_nothing(
    design: Design, flow: Flow, access: Access, timing: PhyTiming
) -> Iterator[MessageAirtime]:
    """Yield what a request or an answer without a payload takes on each hop."""
    for path in design.paths(flow):
        answer = path.link.acknowledgement(path.hop.source, path.hop.destination)
        groups = tuple(_grouped(tuple(path.frames(b"")), answer, timing, access, design))
        on_air = sum(group.count * group.times.on_air_us for group in groups)
        every = None if flow.answers else flow.every_s
        yield _sent_each(
            MessageAirtime(
                flow.name, path.hop.name, flow.direction, flow.application.called, 0, 1, every, None, groups,
                on_air, None, *_energies(groups), (),
            ),
            every, design,
        )  # fmt: skip


def _fits(design: Design, flows: Sequence[Flow]) -> dict[str, list[Fit]]:
    """Return how each message fits the flows that name it, by flow; what no flow names is not sent."""
    only = flows[0].name if len(flows) == 1 else None
    found: dict[str, list[Fit]] = {}
    for name in {name for flow in flows for name in flow.messages}:
        for one in fit(design, name, only, advised=False):
            found.setdefault(one.flow, []).append(one)
    for flow in flows:
        found.get(flow.name, []).sort(key=lambda one: flow.messages.index(one.message))
    return found


def _grouped(
    frames: tuple[Encoded, ...],
    answer: Encoded | None,
    timing: PhyTiming,
    access: Access,
    design: Design,
) -> Iterator[FrameTimes]:
    """Yield frames that take equal times together, as far as they follow each other."""
    group: FrameTimes | None = None
    for number, frame in enumerate(frames, 1):
        times = transmission(frame, answer, timing, access, design.radio)
        if group is not None and group.times == times:
            group = replace(group, last=number)
            continue
        if group is not None:
            yield group
        group = FrameTimes(number, number, times)
    if group is not None:
        yield group


def frame_times(design: Design, frame: Encoded, answer: Encoded | None) -> tuple[FrameTimes, ...]:
    """Return what one frame and what acknowledges it take on the air; raises as ``airtime``."""
    if design.access is None:
        raise lacking(design, "access")
    return tuple(_grouped((frame,), answer, design.link.timing, design.access, design))


def _sent_each(one: MessageAirtime, every_s: float | None, design: Design) -> MessageAirtime:
    """Return a message that is sent so often, with what that breaks."""
    duty = None if every_s is None else one.on_air_us / 1e6 / every_s
    too_large = "it is larger than any datagram, and is not sent"
    over = [each for each in one.broken if each.matter == "readings"]
    over += (
        [] if one.frames else [BrokenLimit("frame", too_large, one.octets, 0.0, "octets", False)]
    )
    if design.access is not None:
        over += _over(one.frames, duty, design.limits, design.access)
    return replace(one, sends_every_s=every_s, duty_cycle=duty, broken=tuple(over))


def _energies(groups: tuple[FrameTimes, ...]) -> tuple[Estimate | None, Estimate | None]:
    """Return what the frames of a message cost its sender and its receiver."""
    if any(group.times.energy_uj is None for group in groups) or not groups:
        return None, None
    times = [group.times for group in groups for _ in range(group.count)]
    return total(one.energy_uj for one in times), total(one.receiver_uj for one in times)


def _over(
    groups: tuple[FrameTimes, ...], duty: float | None, limits: Limits | None, access: Access
) -> Iterator[BrokenLimit]:
    """Yield what a message breaks: the times of the slot, and limits of the design."""
    longest = max((group.times.on_air_us for group in groups), default=0.0)
    answer = max((group.times.acknowledgement_us for group in groups), default=0.0)
    if access.slots is not None:
        times = access.slots.template
        matters: tuple[tuple[Literal["frame", "acknowledgement"], str, float, float], ...] = (
            ("frame", "a frame", longest, times.max_tx),
            ("acknowledgement", "the acknowledgement", answer, times.max_ack),
        )
        too_long = [one for one in matters if one[2] > one[3]]
        for matter, what, us, most in too_long:
            is_, may_be = beside(us, most)
            text = f"{what} takes {is_} µs, the slot leaves it {may_be}"
            yield BrokenLimit(matter, text, us, most, "µs", is_own=False)
        whole = times.length
        all_ends = (times.ends(g.times.on_air_us, g.times.acknowledgement_us) for g in groups)
        ends = max(all_ends, default=0.0)
        if ends > whole and not too_long:
            is_, may_be = beside(ends, whole)
            text = f"a frame, or what acknowledges it, ends {is_} µs into its slot of {may_be}"
            yield BrokenLimit("frame", text, ends, whole, "µs", is_own=False)
    if limits is None:
        return
    if limits.frame_ms is not None and longest > limits.frame_ms * 1000:
        is_, may_be = beside(longest / 1000, limits.frame_ms)
        text = f"a frame takes {is_} ms, limits.frame_ms is {may_be}"
        yield BrokenLimit("frame", text, longest / 1000, limits.frame_ms, "ms")
    if limits.duty_cycle is None:
        return
    left_ms = limits.duty_cycle * limits.window_s * 1000
    if longest / 1000 > left_ms * (1 + _ROUNDING):
        is_, may_be = beside(longest / 1000, left_ms)
        text = (
            f"a frame takes {is_} ms, limits.duty_cycle leaves it {may_be}: {limit_percent(limits.duty_cycle)} of "
            f"limits.window_s, {limits.window_s:g} s"
        )
        yield BrokenLimit("duty", text, longest / 1000, left_ms, "ms")
    if duty is not None and duty > limits.duty_cycle * (1 + _ROUNDING):
        text = (
            f"its sender alone is on the air {percent(duty, limits.duty_cycle)} of the time, limits.duty_cycle is "
            f"{limit_percent(limits.duty_cycle)}"
        )
        yield BrokenLimit("duty", text, duty, limits.duty_cycle, "share")


def _upkeep(design: Design, access: Access, timing: PhyTiming) -> Iterator[MessageAirtime]:
    """Yield what the network sends for itself, as messages of a flow named ``upkeep``."""
    for one in upkeep_frames(design):
        groups = tuple(_grouped(one.frames, one.acknowledgement, timing, access, design))
        on_air = sum(group.count * group.times.on_air_us for group in groups)
        duty = None if one.every_s is None else on_air / 1e6 / one.every_s
        yield MessageAirtime(
            UPKEEP, one.hop, f"to {one.to}", one.name, 0, 1, one.every_s, one.every_s, groups, on_air, duty,
            *_energies(groups), tuple(_over(groups, duty, design.limits, access)),
        )  # fmt: skip
