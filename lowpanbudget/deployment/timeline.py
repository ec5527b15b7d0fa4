"""One transmission on the time axis: every wait, every octet and every answer, with what the radio does meanwhile."""

from collections.abc import Iterable, Iterator
from enum import Enum
from itertools import groupby, pairwise
from typing import NamedTuple

from lowpanbudget.bits import Nature, Span
from lowpanbudget.design.access import Access
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.design.radio import Radio
from lowpanbudget.layers.link.phy import PhyTiming
from lowpanbudget.stack.encoding import Encoded
from lowpanbudget.values import dataclass


class RadioState(Enum):
    """What a radio does during a part."""

    ASLEEP = "asleep"
    OFF = "off"
    LISTENS = "listens"
    SENDS = "sends"
    RECEIVES = "receives"


class Phase(Enum):
    """Which piece of a transmission a part belongs to."""

    ACCESS = "access"
    FRAME = "frame"
    ANSWER = "acknowledgement"
    PAUSE = "pause"


class TimedStep(NamedTuple):
    """A part before it has a place: name, microseconds, what both radios do, octets, and whether it is own data."""

    name: str
    us: float
    phase: Phase
    sender: RadioState
    receiver: RadioState
    octets: int | None = None
    is_frame: bool = False
    is_data: bool = False
    spent: Estimate | None = None  # where the state of the radio does not tell the energy


@dataclass(frozen=True, slots=True)
class TimedPart:
    """A part of a transmission.

    ``start_us`` counts from the first part, ``octets`` are those on the air, None where nothing is sent. ``sender`` and
    ``receiver`` are what the two radios do. ``is_frame``: octets of a frame, behind the PHY's own; ``is_data``: those
    of the application. ``energy_uj`` is the sender's in microjoules, None without the values of a radio.
    """

    name: str
    phase: Phase
    start_us: float
    us: float
    octets: int | None
    sender: RadioState
    receiver: RadioState
    is_frame: bool
    is_data: bool
    energy_uj: Estimate | None


@dataclass(frozen=True, slots=True)
class FrameAirtime:
    """One transmission that is heard and answered, on a quiet channel, its parts in order.

    ``octets`` and ``acknowledgement_octets`` (None: it is not answered) are frames with their check sequences;
    ``on_air_us`` and ``acknowledgement_us`` how long each is on the air, preamble included; ``total_us`` all parts. The
    energies are in microjoules: of the sender, and of the receiver from the first preamble or guard on.
    """

    octets: int
    acknowledgement_octets: int | None
    parts: tuple[TimedPart, ...]
    on_air_us: float
    acknowledgement_us: float
    total_us: float
    energy_uj: Estimate | None
    receiver_uj: Estimate | None


def transmission(
    frame: Encoded,
    acknowledgement: Encoded | None,
    timing: PhyTiming,
    access: Access,
    radio: Radio | None = None,
) -> FrameAirtime:
    """Return how a frame and its acknowledgement spend their time; backoffs are the mean of the first."""
    off, sends, receives = RadioState.OFF, RadioState.SENDS, RadioState.RECEIVES
    steps = list(_before(timing, access, radio))
    steps += _frame(frame, timing, Phase.FRAME, sends, receives)
    if acknowledgement is not None:
        steps += _before_answer(timing, access)
        steps += _frame(acknowledgement, timing, Phase.ANSWER, receives, sends)
    used = sum(step.us for step in steps)
    if access.slots is None:
        # "LIFS" follows a long frame, behind its acknowledgement where there is one
        pause = float(timing.spacing(len(frame.octets)))
        steps.append(TimedStep("spacing", pause, Phase.PAUSE, off, off))
    elif used < access.slots.template.length:
        rest = access.slots.template.length - used
        asleep = RadioState.ASLEEP
        steps.append(TimedStep("rest of the slot", rest, Phase.PAUSE, asleep, asleep))
    parts = tuple(_placed([*_wake_up(radio), *steps], radio))
    answer_us = (
        0.0 if acknowledgement is None else float(timing.airtime(len(acknowledgement.octets)))
    )
    return FrameAirtime(
        len(frame.octets),
        None if acknowledgement is None else len(acknowledgement.octets),
        parts,
        float(timing.airtime(len(frame.octets))),
        answer_us,
        sum(part.us for part in parts),
        None if radio is None else total(part.energy_uj for part in parts),
        None if radio is None else total(energy(radio, p.receiver, p.us) for p in parts if p.receiver not in _AT_REST),
    )  # fmt: skip


_AT_REST = (RadioState.OFF, RadioState.ASLEEP)


def _wake_up(radio: Radio | None) -> Iterator[TimedStep]:
    if radio is not None and radio.wake_up_us.most:
        off = RadioState.OFF
        spent = times_current(radio, radio.processor_ma, radio.wake_up_us)
        yield TimedStep("wake-up", radio.wake_up_us.typical, Phase.ACCESS, off, off, spent=spent)


def _before(timing: PhyTiming, access: Access, radio: Radio | None) -> Iterator[TimedStep]:
    """Yield what comes before a frame: backoff, CCA and turnaround, or the beginning of a slot."""
    off, listens, phase = RadioState.OFF, RadioState.LISTENS, Phase.ACCESS
    slots = access.slots
    if slots is None:
        unit = access.unit_backoff_us or float(timing.unit_backoff)
        waits = listens if radio is not None and radio.backoff_listens else off
        yield TimedStep("backoff (mean)", (2**access.min_be - 1) / 2 * unit, phase, waits, off)
        yield TimedStep("CCA", float(timing.cca), phase, listens, off)
        yield TimedStep("turnaround", float(timing.turnaround), phase, off, off)
        return
    times = slots.template
    # the receiver listens from rx_offset on; the sender may do a CCA meanwhile
    cuts = {0.0, times.rx_offset, times.tx_offset}
    begins, ends = times.cca_offset, times.cca_offset + times.cca
    if slots.listens_first:
        cuts |= {begins, ends}
    edges = sorted(cut for cut in cuts if 0 <= cut <= times.tx_offset)
    for start, end in pairwise(edges):
        checks = slots.listens_first and begins <= start < ends
        guards = start >= times.rx_offset
        name = "CCA" if checks else "guard" if guards else "slot offset"
        yield TimedStep(
            name, end - start, phase, listens if checks else off, listens if guards else off
        )


def _before_answer(timing: PhyTiming, access: Access) -> Iterator[TimedStep]:
    off, phase = RadioState.OFF, Phase.ANSWER
    if access.slots is None:
        yield TimedStep("turnaround", float(timing.turnaround), phase, RadioState.LISTENS, off)
        return
    times = access.slots.template
    yield TimedStep("answer delay", times.rx_ack_delay, phase, off, off)
    early = times.tx_ack_delay - times.rx_ack_delay
    yield TimedStep("awaits the answer", early, phase, RadioState.LISTENS, off)


def _frame(
    frame: Encoded, timing: PhyTiming, phase: Phase, sender: RadioState, receiver: RadioState
) -> Iterator[TimedStep]:
    """Yield preamble, delimiter, PHY header, and the octets of a frame by layer."""
    octet = float(timing.octet)
    for name, us in timing.before_frame:
        yield TimedStep(name, float(us), phase, sender, receiver, round(us / timing.octet))
    if phase is Phase.ANSWER:
        octets = len(frame.octets)
        yield TimedStep(
            "acknowledgement", octets * octet, phase, sender, receiver, octets, is_frame=True
        )
        return
    for label, is_data, bits in _runs(frame.spans):
        octets = round(bits / 8)
        yield TimedStep(label, bits / 8 * octet, phase, sender, receiver, octets, True, is_data)


def _runs(spans: Iterable[Span]) -> Iterator[tuple[str, bool, int]]:
    """Yield the runs of spans of one layer: what each is called, whether it is the application's, and its bits."""
    seen: set[str] = set()
    for layer, group in groupby(spans, lambda span: span.layer):
        run = list(group)
        names = ", ".join(dict.fromkeys(span.name for span in run))
        label = f"{layer} ({names})" if layer in seen else layer
        seen.add(layer)
        yield label, all(span.nature is Nature.PAYLOAD for span in run), sum(s.bits for s in run)


def _placed(steps: Iterable[TimedStep], radio: Radio | None) -> Iterator[TimedPart]:
    at = 0.0
    for step in steps:
        spent = step.spent
        if spent is None and radio is not None:
            spent = energy(radio, step.sender, step.us)
        yield TimedPart(
            step.name, step.phase, at, step.us, step.octets, step.sender, step.receiver,
            step.is_frame, step.is_data, spent,
        )  # fmt: skip
        at += step.us


def energy(radio: Radio, state: RadioState, us: float) -> Estimate:
    """Return what a node spends in this state, in microjoules; unless it sleeps its processor runs."""
    if state is RadioState.ASLEEP:
        asleep = radio.sleep_ua.map(lambda microamperes: microamperes / 1000)
        return times_current(radio, asleep, Estimate(us, us, us))
    drawn = {RadioState.SENDS: radio.send_ma, RadioState.OFF: None}.get(state, radio.receive_ma)
    own = radio.processor_ma
    current = own if drawn is None else Estimate(*(a + b for a, b in zip(own, drawn, strict=True)))
    return times_current(radio, current, Estimate(us, us, us))


def times_current(radio: Radio, milliamperes: Estimate, us: Estimate) -> Estimate:
    """Return the energy of a current over a time in microjoules: mA x V x us are nanojoules."""
    parts = zip(milliamperes, radio.supply_v, us, strict=True)
    return Estimate(*(current * volts * time / 1000 for current, volts, time in parts))


def total(parts: Iterable[Estimate | None]) -> Estimate:
    """Return the sum of estimates, each of the three by itself; none counts nothing."""
    there = [part for part in parts if part is not None]
    return Estimate(*(sum(part[index] for part in there) for index in range(3)))
