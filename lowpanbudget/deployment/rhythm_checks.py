"""Whether messages came as often as planned: by their usual interval, and by how long they came otherwise.

A plan states how often on average. By a clock the interval in the middle tells it, whatever was lost or silent between;
at random moments that is 0.69 of the mean (the median of an exponential distribution is ln 2), so there the mean does,
in which no silence counts for more than chance makes one.
"""

from collections.abc import Iterator, Sequence
from math import log, sqrt

from lowpanbudget.deployment.measured import MeasuredFlow, PlanCheck, PlanNumber, PlanVerdict
from lowpanbudget.deployment.rhythm import LONG, MANY, PART_OFF, RhythmPart, at_random, lasts
from lowpanbudget.errors import plural

OFF_RHYTHM = 0.1  # that an interval may be longer or shorter than planned; our choice
FEW_INTERVALS = 3
_ERRORS = 2  # standard errors that an interval may be off by chance: 95 % of many values
_ERRORS_OF_MANY = 3  # of many parts
_NEARLY_ALL = 0.9  # of the time: then the usual interval tells all
_BY_CHANCE = 0.00135  # that the longest of all random intervals is longer than what counts as silence: as rare


def rhythm_check(flow: MeasuredFlow, every: float) -> PlanCheck:
    """Return what the usual interval says of the planned one, beyond chance.

    Where a quarter of the time or more was otherwise than planned, that one does not tell.
    """
    spread = flow.interval
    count = 0 if spread is None else spread.values
    if spread is None or count < FEW_INTERVALS:
        why = f"{plural(count, 'interval')} between messages: {FEW_INTERVALS} tell a rhythm"
        return PlanCheck(PlanNumber.INTERVAL, flow.title, every, None, "s", PlanVerdict.OPEN, why)
    seen_s, error_s, on_average = spread.median, spread.error, ""
    parts, long_s = list(flow.rhythm), _long_s(flow, every)
    if at_random(parts, spread):
        on_average = " on average"
        parts = [_on_average(part, every, long_s) for part in parts]
        if count < MANY:
            error_s = max(error_s, every / sqrt(count))
        known = [part for part in parts if part.every_s is not None]
        if known:
            all_of = sum(part.intervals for part in known)
            seen_s = sum(part.usual_s * part.intervals for part in known) / all_of
    off = seen_s / every - 1
    verdict, how = PlanVerdict.WITHIN, "as planned"
    if abs(off) > OFF_RHYTHM:
        by_chance = _ERRORS * error_s / every
        is_off = abs(off) - by_chance > OFF_RHYTHM
        if on_average:
            is_off &= _is_off_at_random(seen_s / every, count)
        verdict = PlanVerdict.OUTSIDE if is_off else PlanVerdict.OPEN
        how = f"{abs(off):.0%} {'longer' if off > 0 else 'shorter'}"
    why = f"{how}{on_average}, from {plural(count, 'interval')}"
    off_s, all_s = _seconds_off(parts, every, long_s), sum(part.seconds for part in parts)
    if off_s >= PART_OFF * all_s > 0:
        if verdict is PlanVerdict.WITHIN:
            why = f"most of {plural(count, 'interval')} as planned"
        if verdict is not PlanVerdict.OUTSIDE or off_s < _NEARLY_ALL * all_s:
            why += "".join(f"; {text}" for text in _otherwise(parts, every, long_s))
        verdict = PlanVerdict.OUTSIDE
    if verdict is PlanVerdict.OUTSIDE:
        why += _change(parts)
    elif verdict is PlanVerdict.OPEN:
        why += " that differ too much to say"
    return PlanCheck(PlanNumber.INTERVAL, flow.title, every, seen_s, "s", verdict, why)


def _long_s(flow: MeasuredFlow, every: float) -> float:
    """Return how long nothing must come for that to be off the plan by itself: of random intervals some are long."""
    spread = flow.interval
    if spread is None or not at_random(list(flow.rhythm), spread):
        return LONG * every
    return max(LONG, log(spread.values / _BY_CHANCE)) * every


def silent_at_end(flow: MeasuredFlow, every: float) -> float:
    """Return for how long none was heard to the end, where that is off the plan by itself; else 0."""
    if not flow.rhythm or flow.rhythm[-1].every_s is not None:
        return 0.0
    silent_s, all_s = flow.rhythm[-1].seconds, sum(part.seconds for part in flow.rhythm)
    return silent_s if silent_s > _long_s(flow, every) and silent_s >= PART_OFF * all_s else 0.0


def _is_off_at_random(ratio: float, count: int) -> bool:
    """Return whether so many intervals are longer or shorter than planned, by ``ratio``, than chance makes them.

    Of messages at random moments as many come in a time as a Poisson distribution has it, whose root deviates by 1/2
    (Anscombe, Biometrika 35 (1948); from memory). Among many flows some are that far off: hence as of many parts.
    """
    edge = 1 + OFF_RHYTHM if ratio > 1 else 1 - OFF_RHYTHM
    return 2 * sqrt(count) * abs(sqrt(ratio / edge) - 1) > _ERRORS_OF_MANY


def _on_average(part: RhythmPart, every: float, long_s: float) -> RhythmPart:
    """Return a part of random intervals with their mean as the usual one."""
    if part.every_s is None:
        return part
    mean_s = (part.seconds - max(part.longest_s - long_s, 0.0)) / part.intervals
    error_s = (
        part.error_s if part.intervals >= MANY else max(part.error_s, every / sqrt(part.intervals))
    )
    return part._replace(every_s=mean_s, error_s=error_s)


def _is_off(part: RhythmPart, every: float) -> bool:
    if part.every_s is None:
        return False
    by_chance = _ERRORS_OF_MANY * part.error_s / every
    return abs(part.every_s / every - 1) - by_chance > OFF_RHYTHM


def _seconds_off(parts: Sequence[RhythmPart], every: float, long_s: float) -> float:
    """Return for how long messages came otherwise than planned; a long silence is off by itself."""
    return sum(
        part.seconds if _is_off(part, every) else part.longest_s * (part.longest_s > long_s)
        for part in parts
    )


def _otherwise(parts: Sequence[RhythmPart], every: float, long_s: float) -> Iterator[str]:
    """Yield how and when messages came otherwise than planned."""
    all_s = sum(part.seconds for part in parts)
    off = [part for part in parts if _is_off(part, every)]
    times = [part.every_s for part in off if part.every_s is not None]
    if off:
        least, most = f"{min(times):.3g}", f"{max(times):.3g}"
        span = most if least == most else f"{least} to {most}"
        yield (
            f"each {span} s for {lasts(sum(part.seconds for part in off))} of {lasts(all_s)}, from "
            f"{lasts(off[0].since_s) if off[0].since_s else 'the first'} on"
        )
    silences = [part.longest_s for part in parts if part not in off and part.longest_s > long_s]
    if silences and (not off or sum(silences) >= PART_OFF * all_s):
        at_end = parts[-1].every_s is None and silences == [parts[-1].longest_s]
        yield (
            f"none was heard {'for the last' if at_end else 'for'} {lasts(sum(silences))} of {lasts(all_s)}"
        )


def _change(parts: Sequence[RhythmPart]) -> str:
    """Return how the interval changed from the first part to the last, where it did beyond chance."""
    known = [part for part in parts if part.every_s is not None]
    if len(known) < 2:
        return ""
    first, last = known[0], known[-1]
    before, now = first.every_s or 0.0, last.every_s or 0.0
    by_chance = _ERRORS * (first.error_s + last.error_s)
    if abs(now - before) - by_chance <= OFF_RHYTHM * before:
        return ""
    return f"; {before:.3g} s at first, {now:.3g} s at last"
