"""Protection from end to end that is planned so that it takes less than it will, or is less than it looks."""

from dataclasses import replace

from lowpanbudget.capture.follow.clock import duration
from lowpanbudget.design.application import ADDED_DTLS, LASTING_SEQUENCE
from lowpanbudget.design.flow import Flow
from lowpanbudget.findings.draft import Draft, message_of, rooms_beside, with_application
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.wording import octets_text, room_text
from lowpanbudget.layers.internet.dtls.suites import FORGEABLE
from lowpanbudget.layers.internet.oscore.option import piv_octets
from lowpanbudget.room.fit import Fit
from lowpanbudget.room.measure import frames_of, room_of

_LIFE, _LIFE_S = "ten years", 10 * 365 * 86400  # as long as a plan looks ahead; our choice

PLANNED_PROTECTION = Subject("planned-protection")


@PLANNED_PROTECTION.rule("notifications-without-partial-iv", Flow)
def notifications_without_partial_iv(draft: Draft, flow: Flow) -> Hits:
    """Look for notifications that come again and again, and measure the frames with their numbers."""
    now = flow.application
    if now.oscore is None or now.coap is None or now.oscore.response_sequence:
        return
    if not now.coap.notifies or flow.every_s is None:
        return  # what is sent once may be the first
    numbered = replace(now, oscore=replace(now.oscore, response_sequence=True))
    evidence = rooms_beside(draft, flow, replace(flow, application=numbered), "with a Partial IV")
    cause = "all notifications but the first carry a Partial IV"
    yield Hit(cause, tuple(evidence), f"flow {flow.name}")


@PLANNED_PROTECTION.rule("partial-iv-will-grow", Fit)
def partial_iv_will_grow(draft: Draft, fit: Fit) -> Hits:
    """Encode with the first number of each length that is reached, until a frame more is needed."""
    path = draft.path(fit)
    now, each_s = path.flow.application, fit.sends_every_s
    if now.oscore is None or fit.frames is None or not now.is_numbered:
        return
    # the numbers of a security context begin at 0, so that one that is planned ahead of them is not reached sooner
    last = LASTING_SEQUENCE if each_s is None else int(_LIFE_S / each_s)
    for octets in range(len(piv_octets(now.oscore.sequence)) + 1, len(piv_octets(last)) + 1):
        reached = _least(octets)
        grown = with_application(path, replace(now, oscore=replace(now.oscore, sequence=reached)))
        count = frames_of(grown, fit.octets)
        if count is None or count > fit.frames:
            when = "" if each_s is None else f" (after {duration(reached * each_s)})"
            takes = f"the Partial IV takes {octets_text(octets)}"
            then = f"{room_text(room_of(grown))}, {count} frames instead of {fit.frames}"
            cause = f"from sequence number {reached} on{when} {takes}: {then}"
            most = _least(len(piv_octets(last)) + 1) - 1
            advice = f"Plan with sequence = {most}, {_so_far(each_s)}; or make a new security context before."
            yield Hit(cause, (), message_of(fit), advice=advice)
            return


def _least(octets: int) -> int:
    """Return the least sequence number that takes so many octets."""
    return 1 << 8 * (octets - 1)


def _so_far(each_s: float | None) -> str:
    if each_s is None:
        return f"which one message each {duration(_LIFE_S / LASTING_SEQUENCE)} does not pass in {_LIFE}"
    return f"which is not passed in {_LIFE}"


@PLANNED_PROTECTION.rule("dtls-suite-easy-to-forge", Flow)
def dtls_suite_easy_to_forge(draft: Draft, flow: Flow) -> Hits:
    """Look at the suite, and measure the frames with a longer tag."""
    now = flow.application
    if now.dtls is None or now.dtls.suite is not FORGEABLE:
        return
    suite = ADDED_DTLS.suite
    longer = replace(flow, application=replace(now, dtls=replace(now.dtls, suite=suite)))
    how = f"with a tag of {octets_text(suite.aead.tag)}"
    cause = f"{FORGEABLE.name} has a tag of {octets_text(FORGEABLE.aead.tag)}"
    yield Hit(cause, tuple(rooms_beside(draft, flow, longer, how)), f"flow {flow.name}")
