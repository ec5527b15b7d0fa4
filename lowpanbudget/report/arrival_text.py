"""What the columns of arrivals mean, for those who read them on a screen."""

from collections.abc import Sequence
from math import floor, log10

from lowpanbudget.deployment.carried import CarriedNetwork
from lowpanbudget.deployment.service import HopService, of_all
from lowpanbudget.report.chart import number

SEEN = 1e-6  # a share that is worth a column
AT_RANDOM = (
    "Messages are played at random times (Poisson), every_s apart on average: nodes that report by the clock, each at "
    "another moment, find queues full more rarely; children of one relay that report at the same moment, more often."
)
BEGUN_ANEW = (
    "less arrives than from a deeper one, over the same links: a message that begins there may meet any frame that its "
    "sender does not hear and that spoils it (tree.hears, tree.disturbs); one that is passed on was just received, so "
    "that nobody near was sending then."
)


def is_late(one: HopService) -> bool:
    """Return whether something arrives after the time that the design allows."""
    there = of_all(one, one.delivered)
    if there is None or one.in_time is None:
        return False
    return there - one.in_time > max(SEEN, one.in_time_half_width)


def is_lost_in_noise(one: HopService) -> bool:
    """Return whether what queues add is less than what the simulation leaves open."""
    return one.queue_s is not None and one.queue_s < one.queue_half_width_s


def is_of_empty_queues(one: HopService) -> bool:
    """Return whether what queues add is not in the times."""
    return one.messages is None and one.delays is not None and one.latency is not None


def queue_text(one: HopService, scale: float = 1.0) -> str:
    """Return what queues add, in seconds times ``scale``; where that is lost in the noise how much it is at most."""
    if is_lost_in_noise(one):
        return f"< {seconds_text(((one.queue_s or 0.0) + one.queue_half_width_s) * scale)}"
    if not one.queue_s:
        return ""
    text = seconds_text(one.queue_s * scale, one.queue_half_width_s * scale)
    return "+" * is_of_empty_queues(one) + text


def latency_texts(one: HopService, scale: float = 1.0) -> list[str]:
    """Return the three times in which messages are there, times ``scale``, no finer than they were played.

    Where too few were played to tell how late it may be, a time is what it is more than.
    """
    if one.latency is None:
        return [""] * 3
    if not one.latency_ranges:
        return [seconds_text(time * scale) for time in one.latency]
    texts = []
    for time, known in zip(one.latency, one.latency_ranges, strict=True):
        if known.most_s is None:
            texts.append(f"> {seconds_text(known.least_s * scale, (time - known.least_s) * scale)}")
        else:
            off = max(time - known.least_s, known.most_s - time)
            texts.append(seconds_text(time * scale, off * scale))
    return texts


def is_open(one: HopService) -> bool:
    """Return whether too few were played to tell how late some of them may be."""
    return any(known.most_s is None for known in one.latency_ranges)


def seconds_text(seconds: float, half_width: float = 0.0) -> str:
    """Return seconds with three digits that count, fewer where these are finer than a half width."""
    digits = 3
    if seconds > 0 and half_width > 0:
        digits = min(max(floor(log10(seconds)) - floor(log10(half_width)) + 1, 1), digits)
    return number(float(f"{seconds:.{digits}g}"))


def has_places(some: Sequence[HopService]) -> bool:
    """Return whether places in queues are worth a column: some are missing, or what was played leaves them open."""
    return any(
        one.queued is not None and (one.queued < 1 - SEEN or one.half_width > 0) for one in some
    )


def legend(network: CarriedNetwork) -> str:
    """Return what the columns of arrivals mean, those that are there."""
    some = network.services
    texts = [
        "arrive: over all hops, losses independent; half, 95 % and 99 % of what arrives are there in so long"
    ]
    if any(one.delivered is not None and one.delivered < 1 for one in some):
        texts.append("loss.frames is one way: a frame and its acknowledgement are each lost by it")
    if any(one.in_runs is not None for one in some):
        texts.append("in runs: the same mean loss in runs, as loss.runs says")
    if has_places(some):
        texts.append(
            "places: find a place in every queue on the way; what finds none does not arrive"
        )
    is_played = any(one.messages is not None for one in some)
    if any(one.queue_s for one in some):
        texts.append(
            "times are played, queues: what these add on average"
            if is_played
            else "times are of empty queues; queues: what they add on average"
        )
        if is_played and any(map(is_of_empty_queues, some)):
            texts.append("+: not played, times are of empty queues")
    if any(one.in_runs is not None for one in some):
        texts.append("times are with losses in runs")
    if is_played:
        texts.append("±: what the simulation leaves open (95 %)")
    if any(one.latency_ranges for one in some):
        texts.append("times end at the digit in which that shows")
    if any(map(is_open, some)):
        texts.append(">: too few were played to tell how much more")
    if any(map(is_lost_in_noise, some)):
        texts.append("<: no more than that, as far as it was played")
    if any(max(node.cells or 0, node.cells_down or 0) > 1 for node in network.nodes):
        texts.append("the cells of a link are spread evenly over the slotframe")
    if any(one.quiet is not None for one in some):
        texts.append("quiet: a bound, as if no other node ever sent")
    if any(map(is_late, some)):
        texts.append("in time: within limits.latency_s")
    said = "; ".join(texts) + "."
    nearer = f" From hop {hop} {BEGUN_ANEW}" if (hop := rarer_than_deeper(some)) else ""
    return f"{said}{nearer} {AT_RANDOM}" if is_played else said


def rarer_than_deeper(some: Sequence[HopService]) -> int | None:
    """Return a hop from which less arrives for sure than from a deeper one, whose messages pass it; None without."""
    for one in some:
        stream = (one.flow, one.message, one.direction)
        if one.direction != "up" or one.quiet is None or one.delivered is None:
            continue
        most = one.delivered + one.half_width
        for other in some:
            is_deeper = (
                stream == (other.flow, other.message, other.direction) and other.hop > one.hop
            )
            if is_deeper and (other.delivered or 0.0) - other.half_width > most:
                return one.hop
    return None


def share_of(share: float | None, half_width: float = 0.0) -> str:
    """Return a share in percent with the digits that tell it from all, and how far it may be off; of none nothing."""
    if share is None:
        return ""
    value = share * 100
    away = min(value, 100 - value)
    digits = 1
    while away > 1e-6 and round(away, digits) * 10**digits < 20 and digits < 5:
        digits += 1
    text = f"{value:.{digits}f}" if away > 1e-6 else f"{value:.0f}"
    return f"{text} ±{number(float(f'{half_width * 100:.2g}'))} %" if half_width else f"{text} %"
