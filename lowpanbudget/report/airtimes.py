"""Airtime as plain data, as rows for tables, and as pictures that both writers draw."""

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from lowpanbudget.deployment.airtime import MessageAirtime
from lowpanbudget.deployment.timeline import FrameAirtime, Phase, RadioState, TimedPart
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.report import view
from lowpanbudget.report.chart import ChartBlock, ChartKind, ChartRow, RowChart, Tone, number

WAITS = ChartKind("waits", Tone.QUIET)
LISTENS = ChartKind("listens", Tone.SECOND)
SYNCHRONISES = ChartKind("preamble and PHY header", Tone.MAIN)
HEADERS = ChartKind("headers, codes and checks", Tone.MAIN)
DATA = ChartKind("octets of your own", Tone.THIRD)
ANSWERS = ChartKind("acknowledgement", Tone.MAIN)

_LEAST_SHARE = 1e-5  # of the time: people need no smaller ones
# the same on every screen that counts time on the air
CAUTION = (
    "An estimate from your numbers, of frames that are heard the first time on a quiet channel: measure before you "
    "rely on it. Radio use follows the rules of the place."
)


def airtime(one: MessageAirtime) -> view.Data:
    """Return what a message takes on the air on a hop, with its frames and their parts."""
    return view.result(
        one, "flow", "hop", "direction", "message", "octets", "readings", "every_s", "sends_every_s", "count",
        "on_air_us", "duty_cycle", "energy_uj", "receiver_uj", "fits", "over", "frames",
    )  # fmt: skip


def part_rows(results: Sequence[MessageAirtime]) -> Iterator[view.Data]:
    """Yield a row for each part of each frame, as tables for other programs have it."""
    for one in results:
        for group in one.frames:
            for part in group.times.parts:
                yield {
                    "flow": one.flow, "hop": one.hop, "message": one.message, "first_frame": group.first,
                    "last_frame": group.last, "frame_octets": group.times.octets, "part": part.name,
                    "phase": part.phase.value, "start_us": part.start_us, "us": part.us, "octets": part.octets,
                    "sender": part.sender.value, "receiver": part.receiver.value,
                    "energy_uj": view.data_of(part.energy_uj),
                }  # fmt: skip


def by_message(results: Sequence[MessageAirtime]) -> list[list[MessageAirtime]]:
    """Return the hops of each message of each flow together."""
    grouped = groupby(results, key=lambda one: (one.flow, one.message))
    return [list(hops) for _, hops in grouped]


def frame_name(one: MessageAirtime, first: int, last: int) -> str:
    """Return which frames of a message these are; nothing where it has one."""
    if one.count == 1:
        return ""
    return (
        f"frame {first} of {one.count}"
        if first == last
        else f"frames {first}-{last} of {one.count}"
    )


def _kind(part: TimedPart) -> ChartKind:
    """Return what the sender's radio shows during a part."""
    if part.sender is RadioState.SENDS:
        if part.is_data:
            return DATA
        return HEADERS if part.is_frame else SYNCHRONISES
    return LISTENS if part.sender in (RadioState.LISTENS, RadioState.RECEIVES) else WAITS


def _answering(part: TimedPart) -> ChartKind:
    """Return what the receiver's radio shows during a part."""
    if part.receiver is RadioState.SENDS:
        return ANSWERS if part.is_frame else SYNCHRONISES
    return LISTENS if part.receiver in (RadioState.LISTENS, RadioState.RECEIVES) else WAITS


def _blocks(times: FrameAirtime, of: Any) -> tuple[ChartBlock, ...]:
    return tuple(
        ChartBlock(part.start_us, part.start_us + part.us, of(part), part.name)
        for part in times.parts
        if part.us
    )


def frame_chart(one: MessageAirtime, index: int = 0, title: str = "") -> RowChart:
    """Return one frame on the time axis: what its sender and its receiver do, in microseconds."""
    group = one.frames[index]
    which = frame_name(one, group.first, group.last)
    title = title or f"{one.flow}, {one.hop} hop: {one.message}" + (f", {which}" if which else "")
    rows = (
        ChartRow("sender", _blocks(group.times, _kind), named=True),
        ChartRow("receiver", _blocks(group.times, _answering)),
    )
    answer = group.times.acknowledgement_octets
    says = f"A frame of {group.times.octets} octets on the air, to scale" + (
        "; nobody acknowledges it." if answer is None else f", and its acknowledgement of {answer}."
    )
    return RowChart(title, says, "µs", rows)


def overview_chart(results: Sequence[MessageAirtime]) -> RowChart:
    """Return the longest frame of each message on one axis, on the hop where it is longest."""
    rows = []
    for hops in by_message(results):
        one = max(hops, key=lambda hop: hop.on_air_us)
        if one.frames:
            group = max(one.frames, key=lambda group: group.times.on_air_us)
            label = f"{one.flow} {one.message}" + (f" x{one.count}" if one.count > 1 else "")
            rows.append(
                ChartRow(label, _blocks(group.times, _both), f"{number(group.times.on_air_us)} µs")
            )
    says = (
        "The longest frame of each message, on its longest hop, with waits and acknowledgement; the number behind is "
        "what the frame alone takes on the air."
    )
    return RowChart("Frames on the time axis", says, "µs", tuple(rows))


def _both(part: TimedPart) -> ChartKind:
    """Return what is on the air during a part, whoever sends, or what the sender does."""
    return _answering(part) if part.phase is Phase.ANSWER and part.octets else _kind(part)


def energy_chart(one: MessageAirtime, index: int = 0) -> RowChart:
    """Return the sender's energy by part of one frame in microjoules, with the least and the most that it may be."""
    group = one.frames[index]
    rows = []
    for part in group.times.parts:
        spent = part.energy_uj
        if spent is not None and spent.most:
            block = ChartBlock(0.0, spent.typical, _kind(part), part.name)
            typical, spread = estimate_text(spent)
            value = f"{typical} ({spread})" if spread else typical
            rows.append(ChartRow(part.name, (block,), value, (spent.least, spent.most)))
    says = "What each part costs the sender: typical, with the least and the most that your values allow."
    title = f"Energy of the sender, {one.flow}, {one.hop} hop: {one.message}"
    return RowChart(title, says, "µJ", tuple(rows))


def estimate_text(value: Estimate) -> tuple[str, str]:
    """Return an estimate as people write it, to a hundredth: the typical value, and the range from least to most."""
    least, typical, most = (number(round(each, 2)) for each in value)
    return typical, f"{least}-{most}" if least != most else ""


def share_text(share: float | None) -> str:
    """Return a share of the time in percent; nothing where none is known."""
    if share is None:
        return ""
    return (
        f"{number(share * 100)} %" if share >= _LEAST_SHARE else f"<{number(_LEAST_SHARE * 100)} %"
    )


def charts(results: Sequence[MessageAirtime], *, whole: bool) -> list[RowChart]:
    """Return the pictures of a file: all messages, or each frame of them with its energy where that is known."""
    if not whole:
        return [overview_chart(results)]
    found = []
    for one in results:
        for index, group in enumerate(one.frames):
            found.append(frame_chart(one, index))
            if group.times.energy_uj is not None:
                found.append(energy_chart(one, index))
    return found
