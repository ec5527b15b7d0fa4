"""The numbers that messages give themselves: what is missing of them, begins anew, comes again, or stands still."""

from lowpanbudget.deployment.measured import MeasuredFlow, Measurement
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.internet.coap.times import EXCHANGE_LIFETIME_S

MESSAGE_NUMBERS = Subject("message-numbers", across=True)

_SOME = 3  # messages that were not sent, and those that are shown
_OFTEN = 0.5  # of the messages, from which they are said twice as a rule; our choice


@MESSAGE_NUMBERS.rule("messages-never-sent", Measurement)
def messages_never_sent(scene: Scene, measured: Measurement) -> Hits:
    """Compare the numbers of messages with those of frames."""
    for flow in measured.flows:
        if int(flow.flow.source) in scene.known.registered.shared:
            continue  # two devices have that address and a count each, which is told
        if flow.heard is not None and flow.unsent >= _SOME:
            of_all = f"{flow.unsent} of {flow.heard.trials} messages never came on the air"
            cause = f"{of_all}; the frame numbers of their sender leave no place for them"
            yield Hit(cause, (), flow.title)


@MESSAGE_NUMBERS.rule("messages-numbered-anew", Measurement)
def messages_numbered_anew(scene: Scene, measured: Measurement) -> Hits:
    """Tell of each node whose messages begin anew, all flows of it together: it was restarted once, not in each.

    Two devices under one address, which are told, count each on its own.
    """
    nodes: dict[str, list[MeasuredFlow]] = {}
    for flow in measured.flows:
        if int(flow.flow.source) in scene.known.registered.shared:
            continue
        if flow.anew and flow.name is not None:
            nodes.setdefault(str(flow.flow.source), []).append(flow)
    for source, flows in nodes.items():
        times = max(flow.restarts for flow in flows)
        often = "once" if times == 1 else f"{times} times"
        kinds = ", ".join(sorted({flow.message or flow.name or "" for flow in flows}))
        first, *more = sorted({one for flow in flows for one in flow.anew})
        cause = (
            f"the numbers of its messages begin anew, {often}: {first.own} follows {first.before}"
        )
        then = (f"{one.own} follows {one.before}" for one in more[:_SOME])
        frames = tuple(dict.fromkeys(one.frame for one in (first, *more)))
        yield Hit(cause, (f"of {kinds}", *then), source, frames, times=times)


@MESSAGE_NUMBERS.rule("old-message-sent-again", Measurement)
def old_message_sent_again(scene: Scene, measured: Measurement) -> Hits:
    """Tell of messages in new frames; of what ends seal for each other sealed-content-replayed tells.

    So does request-repeated of a request of CoAP, as long as its receiver knows it by its message ID. Two devices under
    one address, which are told, may say the same.
    """
    design = scene.known.design
    for flow in measured.flows:
        if design is None or flow.name is None or not flow.old:
            continue
        application = design.flow(flow.name).application
        if application.dtls is not None or application.oscore is not None:
            continue
        known_s = 0 if application.coap is None else EXCHANGE_LIFETIME_S
        old = [one for one in flow.old if one.past_s > known_s]
        if not old or int(flow.flow.source) in scene.known.registered.shared:
            continue
        cause = f"it sends old messages again in new frames, behind newer ones: number {old[0].own} comes again"
        whose = (
            f"number {one.own} in frames {one.first} and {one.frame}, {seconds_text(one.past_s)} apart"
            for one in old[:_SOME]
        )
        frames = tuple(dict.fromkeys((old[0].first, *(one.frame for one in old))))
        yield Hit(cause, tuple(whose), flow.title, frames, times=sum(one.times for one in old))


@MESSAGE_NUMBERS.rule("messages-said-twice", Measurement)
def messages_said_twice(scene: Scene, measured: Measurement) -> Hits:
    """Tell of senders that say most messages again in new frames, though the first was acknowledged.

    Of requests of CoAP that come again request-repeated tells. Two devices under one address may count alike.
    """
    design = scene.known.design
    for flow in measured.flows:
        if design is None or flow.name is None or flow.sent is None or flow.twice < _SOME:
            continue
        if design.flow(flow.name).application.coap is not None:
            continue
        shared = int(flow.flow.source) in scene.known.registered.shared
        if shared or flow.twice < _OFTEN * flow.datagrams:
            continue
        often = f"{flow.twice} of {flow.datagrams} messages come again in frames of other numbers"
        cause = f"{often}, although the first was acknowledged or asks for no acknowledgement"
        after_s = flow.twice_after_s
        when = (
            () if after_s is None else (f"{seconds_text(after_s)} after the first, in the middle",)
        )
        yield Hit(cause, when, flow.title, flow.twice_numbers, times=flow.twice)


@MESSAGE_NUMBERS.rule("message-number-stands-still", Measurement)
def message_number_stands_still(_scene: Scene, measured: Measurement) -> Hits:
    """Tell of counts that do not count: every share of what was lost hangs on them."""
    for flow in measured.flows:
        if flow.name is not None and flow.stuck_at is not None:
            cause = f"messages that differ have one number, {flow.stuck_at}, {flow.stuck} in a row"
            yield Hit(cause, (), flow.title, (flow.first_number,), times=flow.stuck)
