"""What is said of a network that carries its messages, or does not, on terminals and pages alike."""

from collections.abc import Sequence
from typing import Literal

from lowpanbudget.deployment.carried import CarriedNetwork, LimitCheck
from lowpanbudget.findings.helps import HelpfulChange

MATTERS = {
    "frame": "frames", "cells": "cells", "relay": "slots of a node", "queue": "queues", "delivery": "delivery",
    "latency": "latency", "duty": "duty cycle", "battery": "battery", "poll": "polls", "held": "held frames",
    "shared": "shared cells", "acknowledgement": "acknowledgements",
}  # fmt: skip
MOST_HELPS = 6
HELPS = "What would help, each change alone, calculated again"
NO_HELP = (
    "No change of a single number that was tried helps: what is left is another way to send or to feed the nodes, "
    "other nodes, or fewer of them."
)


def answer(network: CarriedNetwork, faults: Sequence[str] = ()) -> str:
    """Return yes, no or open, and what decides."""
    decides = network.decides
    if faults and (decides is None or verdict(decides) != "no"):
        return f"No, this network does not work as it is designed. {faults[0]}"
    if network.is_close and decides is not None:
        return f"Open whether this network carries its messages. {decides.about}: {decides.text}"
    if not network.holds and decides is not None:
        return f"No, this network does not carry its messages. {decides.about}: {decides.text}"
    if decides is None and network.services:
        return "Not decided: too few messages were played to say anything"
    if decides is None:
        return "Nothing here is sent often enough to be checked: every_s of a flow says how often"
    carries = "carries its messages"
    if network.not_checked:
        carries = f"carries what could be checked; not checked: {network.not_checked[0]}"
        if len(network.not_checked) > 1:
            carries += f" and {len(network.not_checked) - 1} more"
    return f"Yes, this network {carries}. Nearest to its limit, {decides.about}: {decides.text}"


def verdict(check: LimitCheck) -> Literal["yes", "open", "no"]:
    """Return whether something holds: yes and no where that is sure, open where it is too close to tell."""
    return "yes" if check.holds else "open" if check.is_close else "no"


def help_words(change: HelpfulChange) -> tuple[str, str, str, str]:
    """Return a change in words, what is then true of what decides, whether that is enough, and what it takes."""
    then = "no longer in the way" if change.after is None else change.after.text
    return change.text, then, _enough(change), change.caution


def _enough(change: HelpfulChange) -> str:
    """Return whether a change is enough, or what is next in the way."""
    if change.holds:
        return "then it carries"
    if change.is_close:
        return "too close to tell"
    if change.then is not None and verdict(change.then) == "no":
        is_another = change.then.matter != change.before.matter
        return (
            f"next in the way: {MATTERS[change.then.matter]}" if is_another else "not enough alone"
        )
    if change.fails:
        return f"next in the way: {change.fails[0][0].lower()}{change.fails[0][1:]}"
    return "not enough alone"
