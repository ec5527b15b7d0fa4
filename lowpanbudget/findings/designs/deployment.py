"""What the keys of a deployment prove before anything is sent: slots, clocks, cells, queues, sleep, losses, limits."""

from collections.abc import Callable, Iterator

from lowpanbudget.deployment.airtime import UPKEEP, MessageAirtime
from lowpanbudget.design.access import Access, Slots
from lowpanbudget.errors import RequestError, plural
from lowpanbudget.findings.designs.clocks import longest_silence
from lowpanbudget.findings.draft import Deployment
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.wording import octets_text, seconds_text
from lowpanbudget.layers.link.phy import PhyTiming

DEPLOYMENT = Subject("deployment")


def _longest(one: MessageAirtime) -> float:
    return max(group.times.on_air_us for group in one.frames)


def _most(one: MessageAirtime) -> float:
    return one.count


def _worst(
    deployment: Deployment, measure: Callable[[MessageAirtime], float] = _longest
) -> Iterator[MessageAirtime]:
    """Yield, of each message on each flow, the hop where this measure is greatest: the length of its longest frame."""
    worst: dict[tuple[str, str], MessageAirtime] = {}
    for one in deployment.messages:
        before = worst.get((one.flow, one.message))
        if one.frames and (before is None or measure(one) > measure(before)):
            worst[one.flow, one.message] = one
    yield from worst.values()


def _subject(one: MessageAirtime) -> str:
    return (
        f"{one.message} of the upkeep"
        if one.flow == UPKEEP
        else f"message {one.message} on flow {one.flow}"
    )


def _slots(deployment: Deployment) -> Slots | None:
    access = deployment.design.access
    return None if access is None else access.slots


@DEPLOYMENT.rule("slot-too-short-for-frame", Deployment)
def slot_too_short_for_frame(_: Deployment, deployment: Deployment) -> Hits:
    """Compare the longest frame of each message, as encoded, with what the slot leaves it."""
    slots = _slots(deployment)
    for one in _worst(deployment) if slots is not None else ():
        group = max(one.frames, key=lambda group: group.times.on_air_us)
        if slots is not None and group.times.on_air_us > slots.template.max_tx:
            cause = (
                f"a frame of {octets_text(group.times.octets)} takes {group.times.on_air_us:g} µs, the slot leaves it "
                f"{slots.template.max_tx:g}"
            )
            yield Hit(cause, (f"{one.hop} hop",), _subject(one))


@DEPLOYMENT.rule("slot-too-short-for-acknowledgement", Deployment)
def slot_too_short_for_acknowledgement(_: Deployment, deployment: Deployment) -> Hits:
    """Compare the longest acknowledgement, as encoded, with what the slot leaves it."""
    slots = _slots(deployment)
    answers = [
        (group.times.acknowledgement_us, group.times.acknowledgement_octets or 0)
        for one in deployment.messages
        for group in one.frames
    ]
    if slots is None or not answers:
        return
    longest, octets = max(answers)
    if longest > slots.template.max_ack:
        cause = (
            f"an acknowledgement of {octets_text(octets)} takes {longest:g} µs, the slot leaves it "
            f"{slots.template.max_ack:g}"
        )
        yield Hit(cause, (), "the slots")


@DEPLOYMENT.rule("slot-shorter-than-its-parts", Deployment)
def slot_shorter_than_its_parts(_: Deployment, deployment: Deployment) -> Hits:
    """Add up what a slot must hold."""
    slots = _slots(deployment)
    if slots is None:
        return
    times = slots.template
    if times.parts > times.length:
        parts = (
            f"{times.tx_offset:g} before the frame, {times.max_tx:g} for it, {times.tx_ack_delay:g} until the "
            f"acknowledgement, {times.max_ack:g} for that"
        )
        yield Hit(
            f"its parts take {times.parts:g} µs, the slot has {times.length:g}",
            (parts,),
            "the slots",
        )


@DEPLOYMENT.rule("guard-shorter-than-drift", Deployment)
def guard_shorter_than_drift(_: Deployment, deployment: Deployment) -> Hits:
    """Compare what two clocks drift apart between two frames that set them with the guard."""
    slots = _slots(deployment)
    lasts = None if slots is None else slots.synchronised_s
    if slots is None or lasts is None:
        return
    silence = longest_silence(deployment.design, deployment.sent)
    if silence is None or silence.every_s <= lasts:
        return
    drift, guard = 2 * slots.drift_ppm * silence.every_s, slots.template.guard
    cause = f"two clocks are {drift:g} µs apart after {seconds_text(silence.every_s)}, the guard is {guard:g} µs"
    whose = f"the clock of node {silence.node}" if silence.node else "clocks"
    sets = f"nothing stated sets {whose} more often than {silence.what}"
    evidence = [f"the guard lasts {seconds_text(lasts)}", sets]
    early, late = slots.template.window
    if early != late:
        hears = f"receivers listen {early:g} µs before the time of a frame and {late:g} µs after"
        evidence.insert(0, f"{hears}: the shorter counts, access.slots.guard_us makes both one")
    yield Hit(cause, tuple(evidence), "the slots")


@DEPLOYMENT.rule("cells-in-reverse-order", Deployment)
def cells_in_reverse_order(_: Deployment, deployment: Deployment) -> Hits:
    """Compare the order of the cells with the way of each flow."""
    slots = _slots(deployment)
    if slots is None:
        return
    against = {"up": "down", "down": "up"}.get(slots.order)
    for flow in deployment.design.flows:
        if flow.hops == 1 or flow.direction != against:
            continue
        length, gaps = slots.slotframe, flow.hops - 1
        slot_s = slots.template.length / 1e6
        # the cell of the next hop has just passed: all but one slot of a slotframe until it comes again
        late, early = (length + gaps * (length - 1)) * slot_s, (length + gaps) * slot_s
        cause = f"{flow.hops} hops against the order of their cells take up to {seconds_text(late)}"
        severity = Severity.RISK if flow.every_s is not None else None
        evidence = f"in order they take up to {seconds_text(early)}, without loss or queues"
        yield Hit(cause, (evidence,), f"flow {flow.name}", severity=severity)


@DEPLOYMENT.rule("poll-longer-than-timeout", Deployment)
def poll_longer_than_timeout(_: Deployment, deployment: Deployment) -> Hits:
    """Compare how often a sleeping node polls with its parent's patience."""
    sleep = deployment.design.sleep
    if sleep is None or sleep.timeout_s is None:
        return
    again = sleep.poll_s if sleep.retry_s is None else sleep.retry_s
    patience = f"its parent forgets it after {seconds_text(sleep.timeout_s)}"
    if sleep.poll_s >= sleep.timeout_s:
        yield Hit(f"a node polls each {seconds_text(sleep.poll_s)}, {patience}", (), "sleep")
    elif sleep.poll_s + again >= sleep.timeout_s:
        cause = f"one lost poll leaves {seconds_text(sleep.poll_s + again)} between two, {patience}"
        yield Hit(cause, (), "sleep", severity=Severity.RISK)


@DEPLOYMENT.rule("held-frames-fewer-than-message", Deployment)
def held_frames_fewer_than_message(_: Deployment, deployment: Deployment) -> Hits:
    """Count the frames of each message to a node that sleeps."""
    sleep = deployment.design.sleep
    for one in _worst(deployment, _most) if sleep is not None else ():
        if sleep is not None and one.direction == "down" and one.count > sleep.held_frames:
            held = plural(sleep.held_frames, "frame")
            cause = (
                f"it takes {plural(one.count, 'frame')}, a parent holds {held} for a sleeping child"
            )
            yield Hit(cause, (), _subject(one))


@DEPLOYMENT.rule("sleeping-node-never-listens", Deployment)
def sleeping_node_never_listens(_: Deployment, deployment: Deployment) -> Hits:
    """Look for messages to nodes that sleep at once behind a poll; in slots they hear the cells of their parent."""
    sleep = deployment.design.sleep
    if sleep is None or sleep.listen_ms or _slots(deployment) is not None:
        return
    for one in _worst(deployment):
        if one.direction == "down":
            yield Hit("it waits for nodes that listen 0 ms behind their polls", (), _subject(one))


@DEPLOYMENT.rule("queue-shorter-than-message", Deployment)
def queue_shorter_than_message(_: Deployment, deployment: Deployment) -> Hits:
    """Count the frames of each message, each of which takes a place."""
    queue = deployment.design.queue
    for one in _worst(deployment, _most) if queue is not None else ():
        holders = {"a node": 1, "the root": 0} if one.direction == "down" else {"a node": 1}
        for who, node in holders.items() if queue is not None else ():
            if queue is not None and one.count > queue.of(node):
                cause = f"it takes {plural(one.count, 'frame')}, {who} holds {queue.of(node)}"
                yield Hit(cause, (), _subject(one))
                break


@DEPLOYMENT.rule("beacon-does-not-fit", Deployment)
def beacon_does_not_fit(_: Deployment, deployment: Deployment) -> Hits:
    """Compare what the network sends for itself, as encoded, with the largest frame."""
    largest = deployment.design.link.largest
    for one in _worst(deployment):
        octets = max(group.times.octets for group in one.frames)
        if octets > largest:
            yield Hit(f"it has {octets_text(octets)}, a frame {largest} at most", (), _subject(one))


@DEPLOYMENT.rule("over-own-limit", Deployment)
def over_own_limit(_: Deployment, deployment: Deployment) -> Hits:
    """Compare frames and duty cycles of single senders with the design's own limits."""
    limits = deployment.design.limits
    for one in _worst(deployment) if limits is not None else ():
        for limit in one.broken:
            if limit.is_own:
                yield Hit(
                    limit.text, _source("" if limits is None else limits.source), _subject(one)
                )


def _source(source: str) -> tuple[str, ...]:
    return (f"the limit comes from: {source}",) if source else ()


@DEPLOYMENT.rule("coarse-backoff-clock", Deployment)
def coarse_backoff_clock(_: Deployment, deployment: Deployment) -> Hits:
    """Compare the unit of backoffs with the PHY's own."""
    access, timing = deployment.design.access, _timing(deployment)
    if (
        access is None
        or access.unit_backoff_us is None
        or timing is None
        or access.slots is not None
    ):
        return
    usual = float(timing.unit_backoff)
    if access.unit_backoff_us >= 2 * usual:
        mean = (2**access.min_be - 1) / 2 * access.unit_backoff_us / 1000
        cause = f"backoffs count in {access.unit_backoff_us:g} µs, the PHY's unit is {usual:g}"
        yield Hit(cause, (f"the first backoff takes {mean:.3g} ms on average",), "access")


@DEPLOYMENT.rule("access-beyond-the-standard", Deployment)
def access_beyond_the_standard(_: Deployment, deployment: Deployment) -> Hits:
    """Hold the numbers of access against the ranges of the MAC's attributes."""
    design = deployment.design
    if design.access is None:
        return
    beyond = [
        f"{name} is {value}, {attribute.name} {attribute.least} to {attribute.most}"
        for name, value, attribute in design.access.on(design.link).beyond_standard
    ]
    if beyond:
        yield Hit("; ".join(beyond), (), "access")


def _timing(deployment: Deployment) -> PhyTiming | None:
    try:
        return deployment.design.link.timing
    except RequestError:
        return None


@DEPLOYMENT.rule("retries-end-within-a-run", Deployment)
def retries_end_within_a_run(_: Deployment, deployment: Deployment) -> Hits:
    """Compare how long all retries take with how long a link stays bad."""
    design = deployment.design
    if design.loss is None or design.loss.runs is None or design.access is None:
        return
    if not deployment.messages:
        return
    access, bad = design.access.on(design.link), design.loss.runs.bad_ms
    span = access.retries * _between_ms(access, deployment)
    if span < bad:
        cause = f"{access.retries} retries end after {span:.3g} ms, a bad time lasts {bad:g}"
        share = f"{design.loss.runs.bad:g} of the frames are lost meanwhile"
        yield Hit(cause, (share,), "loss")


def _between_ms(access: Access, deployment: Deployment) -> float:
    """Return the milliseconds from one try to the next, of the longest frame."""
    if access.slots is not None:
        return access.slots.slotframe_s * 1000 / max(access.slots.cells, 1)
    return max(g.times.total_us for one in deployment.messages for g in one.frames) / 1000


@DEPLOYMENT.rule("loss-measured-with-shorter-frames", Deployment)
def loss_measured_with_shorter_frames(_: Deployment, deployment: Deployment) -> Hits:
    """Compare the frames that the loss was measured with with those that are sent."""
    loss = deployment.design.loss
    octets = [g.times.octets for one in deployment.messages for g in one.frames]
    if loss is None or loss.octets is None or not octets or max(octets) <= loss.octets:
        return
    longest = max(octets)
    cause = (
        f"measured with {octets_text(loss.octets)}, frames have up to {longest}: {loss.share:.3g} becomes "
        f"{loss.of(longest):.3g}"
    )
    yield Hit(cause, (), "loss")


@DEPLOYMENT.rule("nodes-hidden-from-each-other", Deployment)
def nodes_hidden_from_each_other(_: Deployment, deployment: Deployment) -> Hits:
    """Compare how far nodes are heard with how far they disturb, where they listen before they send."""
    access, tree = deployment.design.access, deployment.design.tree
    if access is None or access.slots is not None or tree is None:
        return
    if tree.disturbs > tree.hears and tree.depth > tree.hears:
        cause = f"nodes are heard over {plural(tree.hears, 'hop')} and disturb over {tree.disturbs}"
        yield Hit(cause, (), "tree")
