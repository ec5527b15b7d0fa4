"""What a capture cannot tell of the network that it shows, in sentences: told beside every number."""

from collections.abc import Iterator, Mapping, Sequence

from lowpanbudget.deployment.confidence import values_for
from lowpanbudget.deployment.measured import MeasuredFlow, MeasuredLink, MeasuredNode
from lowpanbudget.deployment.rhythm import lasts
from lowpanbudget.deployment.unheard import Silence
from lowpanbudget.design.meaning import Design
from lowpanbudget.env import link_text
from lowpanbudget.errors import plural
from lowpanbudget.layers.link.stations import network_text

_FINE = 0.99  # the quantile that engineers ask for first


def unknowns(
    design: Design | None,
    flows: tuple[MeasuredFlow, ...],
    links: tuple[MeasuredLink, ...],
    nodes: tuple[MeasuredNode, ...],
    *,
    timed: bool,
    receivers: int,
    unread: Mapping[str, int],
    beyond: int,
    unsettled: int = 0,
    silences: Sequence[Silence] = (),
    unasked: Mapping[tuple[bytes, bytes], int] = {},
    beside: Mapping[int, int] = {},
) -> Iterator[str]:
    """Yield what remains open, the most important first."""
    if beside and design is not None:
        count = sum(beside.values())
        yield (
            f"{plural(count, 'frame')} {'is' if count == 1 else 'are'} of another network than the design's, "
            f"{_networks(beside)}: nothing of them is held against the plan, and measured only without a design"
        )
    yield from _of_nobody(flows, silences)
    missing, numbers = sum(one.missing for one in nodes), sum(one.numbers for one in nodes)
    if missing:
        yield (
            f"{missing} of {plural(numbers, 'frame number')} of the nodes {'was' if missing == 1 else 'were'} not "
            "heard here, lost on the way or missed by this receiver alone: nothing that may have come so is held "
            "against the plan"
        )
    if any(one.perhaps for one in flows):
        yield (
            "A longer capture does not tell what came by unheard: where that decides, another receiver near the end of "
            "the way does"
        )
    slots = None if design is None or design.access is None else design.access.slots
    if slots is not None and slots.channels > 1:
        yield (
            f"The design hops over {slots.channels} channels: {_receivers(receivers)} on one channel hears about one "
            f"frame in {slots.channels}, and all that counts frames is told of those"
        )
    if unread:
        reason, count = max(unread.items(), key=lambda one: one[1])
        yield f"{plural(sum(unread.values()), 'frame')} could not be read to their end, {count} because: {reason}"
    if beyond:
        yield f"{plural(beyond, 'datagram')} behind the first were not told apart: measure the capture in parts"
    if unsettled:
        yield (
            f"{plural(unsettled, 'datagram')} in fragments did not come whole, and may be any of several messages: "
            "nothing is told of their arrival"
        )
    if not timed:
        yield "The frames have no times: nothing is told of rates, latency and duty cycle"
    if design is None:
        yield (
            "Without a design nothing is told of plans, messages and their own numbers, and airtime: latency ends with "
            "the first bit of the last frame"
        )
    yield from _of_flows(flows)
    if unasked:
        # the most frames first
        links_unasked = sorted(unasked, key=lambda link: (-unasked[link], link))
        hops = _listed([" to ".join(map(link_text, link)) for link in links_unasked])
        yield (
            f"{plural(sum(unasked.values()), 'frame')} of {hops} asked for no "
            "acknowledgement: nobody knows which of them arrived, and they are not among the links"
        )
    if links and all(link.answered is None for link in links):
        yield "No acknowledgement was heard: nobody knows which try arrived"


def other_networks(measured: int, frames: Mapping[int, int], missed: int = 0) -> Iterator[str]:
    """Yield that other networks were heard, with their frames by PAN, than the one that was ``measured``.

    Of that one ``missed`` frames were not kept, while so many others had more.
    """
    if frames:
        other = "another network" if len(frames) == 1 else "other networks"
        yield (
            f"{plural(sum(frames.values()), 'frame')} of {other}, {_networks(frames)}: "
            f"{network_text(measured)} has the most and was measured, another is when it is asked for by that ID"
        )
    if missed:
        name = network_text(measured)
        yield (
            f"The first {plural(missed, 'frame')} of {name} came while many other networks had as many or more, and "
            f"{'is' if missed == 1 else 'are'} not measured: asked for by its ID, all are"
        )


def _networks(frames: Mapping[int, int]) -> str:
    """Return PANs as text, those with the most frames first."""
    return _listed(
        [network_text(one) for one in sorted(frames, key=lambda one: (-frames[one], one))]
    )


def _of_nobody(flows: tuple[MeasuredFlow, ...], silences: Sequence[Silence]) -> Iterator[str]:
    if silences:
        longest = max(one.seconds for one in silences)
        often = "once" if len(silences) == 1 else f"{len(silences)} times"
        yield (
            f"Nobody was heard for up to {lasts(longest)}, {often}, while several nodes would have sent: the receiver "
            "of the capture did not listen"
        )
    left_out = [flow for flow in flows if flow.uncounted]
    if left_out:
        count = sum(flow.uncounted for flow in left_out)
        yield (
            f"Of {_listed(sorted({flow.title for flow in left_out}))} {plural(count, 'number')} "
            f"{'is' if count == 1 else 'are'} missing where nobody listened, or where frame numbers leap: nobody knows "
            "what became of them, and none is counted"
        )


def _receivers(count: int) -> str:
    return "each receiver" if count > 1 else "a receiver"


def _of_flows(flows: tuple[MeasuredFlow, ...]) -> Iterator[str]:
    """Yield the same of flows."""
    named = [flow for flow in flows if flow.name is not None]
    for flow in named:
        if flow.unread and flow.sent is None:
            yield (
                f"What {flow.title} counts is not seen: {flow.unread} of {plural(flow.datagrams, 'message')} cannot be "
                f"read ({flow.unread_why})"
            )
    uncounted = sorted({flow.name or "" for flow in named if flow.sent is None and not flow.unread})
    if uncounted:
        yield (
            f"No message of {_listed(uncounted)} that was read counts itself: what was lost before it was heard here "
            "is not seen"
        )
    for flow in flows:
        if flow.stuck_at is not None:
            yield (
                f"The number of {flow.title} stands still at {flow.stuck_at}, in {flow.stuck} messages one behind the "
                "other that differ: what was lost of them, and how often they come, is not seen"
            )
    anew = sorted({flow.title for flow in flows if flow.restarts})
    if anew:
        times = sum(flow.restarts for flow in flows)
        yield (
            f"The numbers of {_listed(anew)} begin anew {'once' if times == 1 else f'{times} times'}: what was sent "
            "last before that, or first behind it, and was not heard, nobody counts"
        )
    for link, is_end in (
        ("last", False),
        ("first", True),
    ):  # what was not sent here is not missed either
        unseen = [flow for flow in flows if flow.arrived is None and bool(flow.at_end) is is_end]
        names = sorted({flow.title for flow in unseen})
        if names:
            yield f"The {link} link of {_listed(names)} was not heard: nothing is told of its arrivals"
    assumed = sorted({flow.title for flow in flows if flow.hops_assumed})
    if assumed:
        yield f"Of {_listed(assumed)} the first hop limit was not heard: hops are counted from 64, 128 or 255"
    if any(flow.took is not None for flow in flows):
        yield "Latency begins with the first try on the air: how long a message waited in its sender is not seen"
    few = [flow for flow in flows if flow.took is not None and flow.took.values < values_for(_FINE)]
    if few:
        most = max(flow.took.values for flow in few if flow.took is not None)
        yield (
            f"The latency that {_FINE:.0%} keep wants {values_for(_FINE)} arrivals of a flow; "
            f"{plural(len(few), 'flow')} had {most} or fewer"
        )


_MOST_LISTED = 4


def _listed(names: list[str]) -> str:
    more = len(names) - _MOST_LISTED
    return ", ".join(names[:_MOST_LISTED]) + (f" and {more} more" if more > 0 else "")
