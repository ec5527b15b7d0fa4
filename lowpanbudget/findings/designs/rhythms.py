"""Messages that cannot be made at the rhythm of their flow: whatever is counted of them is of messages nobody sends."""

from lowpanbudget.design.collecting import unspanned
from lowpanbudget.design.flow import Flow
from lowpanbudget.findings.draft import Draft
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.wording import seconds_text

RHYTHMS = Subject("rhythms")


@RHYTHMS.rule("fewest-readings-not-spanned", Flow)
def fewest_readings_not_spanned(draft: Draft, flow: Flow) -> Hits:
    """Compare the fewest readings of each message that the flow names with those that their times span."""
    each = seconds_text(flow.every_s or 0.0)
    for message, readings in unspanned(draft.design, flow):
        spans = f"{readings.ends(0, flow.every_s)} spans {readings.spanned(flow.every_s)}"
        cause = (
            f"{spans} of {readings.name}, one each {each}; a message has {readings.least} at least"
        )
        longest = readings.longest_apart
        evidence = (
            (f"one each {seconds_text(longest)} or more often are spanned",) if longest else ()
        )
        yield Hit(cause, evidence, f"message {message.name} on flow {flow.name}")
