"""What is said of a network that carries its messages, or does not, on terminals and pages alike."""

from collections.abc import Iterator, Sequence
from typing import Literal

from lowpanbudget.deployment.carried import CarriedNetwork, LimitCheck
from lowpanbudget.findings.helpful import HelpfulChange
from lowpanbudget.findings.together import ChangesTogether

MATTERS = {
    "frame": "frames", "cells": "cells", "relay": "slots of a node", "queue": "queues", "delivery": "delivery",
    "latency": "latency", "duty": "duty cycle", "battery": "battery", "poll": "polls", "held": "held frames",
    "shared": "shared cells", "acknowledgement": "acknowledgements", "readings": "readings",
    "clock": "clocks",
}  # fmt: skip
MOST_HELPS = 6
TOO_CLOSE = "too close to tell"
DOUBTFUL = "better, but perhaps by chance"
HELPS = "What would help, each change alone, calculated again"
NO_HELP = (
    "No change of a single number that was tried clearly helps: what is left is another way to send, to sleep or to "
    "feed the nodes, other nodes, or fewer of them."
)


def answer(network: CarriedNetwork, faults: Sequence[str] = ()) -> str:
    """Return yes, no or open, and what decides; of a yes also what it is not about."""
    decides = network.decides
    if faults and (decides is None or verdict(decides) != "no"):
        return f"No, this network does not work as it is designed. {faults[0]}"
    if network.is_close and decides is not None:
        return f"Open whether this network carries its messages. {decides.about}: {decides.text}"
    if network.is_unchecked:
        return f"Open whether this network carries its messages: {'; '.join(_unchecked(network))}"
    if not network.holds and decides is not None:
        return f"No, this network does not carry its messages. {decides.about}: {decides.text}"
    if decides is None:
        return "Nothing here is sent often enough to be checked: every_s of a flow says how often"
    carries = "carries the messages that are counted" if network.unknown else "carries its messages"
    if network.unfollowed:
        carries = "carries what could be checked"
    if network.not_checked:
        carries = f"carries what could be checked; not checked: {_first(network.not_checked)}"
    if network.over_frames:
        carries += f", but takes more frames than a flow allows: {_first(network.over_frames)}"
    nearest = f"Nearest to its limit, {decides.about}: {decides.text}"
    return " ".join((f"Yes, this network {carries}.", *_left_out(network), nearest))


def _left_out(network: CarriedNetwork) -> Iterator[str]:
    """Yield sentences about the messages that a yes is not about."""
    if network.unknown:
        yield f"Not counted: {_first(network.unknown)}, since every_s does not say how often."
    yield from (f"{text}." for text in network.unfollowed)


def _unchecked(network: CarriedNetwork) -> Iterator[str]:
    """Yield what was not checked, and why."""
    if network.lacks_arrivals:
        whys = []
        if network.unknown and network.is_blind:
            whys.append(
                f"as every_s does not say how often they are sent ({_first(network.unknown)})"
            )
        if network.services:
            rare = f" ({_first(network.not_checked)})" if network.not_checked else ""
            whys.append(f"as too few were played beside what else is sent{rare}")
        of = "of none was" if network.is_blind else "not of all was"
        yield f"{of} it checked how it arrives, {'; '.join(whys)}"
    yield from network.open_limits


def _first(names: Sequence[str]) -> str:
    """Return the first of them, and how many more there are."""
    return names[0] + (f" and {len(names) - 1} more" if len(names) > 1 else "")


def verdict_of(network: CarriedNetwork, faults: Sequence[str] = ()) -> Literal["yes", "open", "no"]:
    """Return whether a network carries its messages, where ``faults`` are what keeps it from working at all."""
    if network.holds and not faults:
        return "yes"
    is_open = network.is_close or network.is_unchecked
    return "open" if is_open and not faults else "no"


def verdict(check: LimitCheck) -> Literal["yes", "open", "no"]:
    """Return whether something holds: yes and no where that is sure, open where it is too close to tell."""
    return "yes" if check.holds else "open" if check.is_close else "no"


def check_rows(
    network: CarriedNetwork, faults: Sequence[str] = ()
) -> list[tuple[Literal["yes", "open", "no"], str, str, str]]:
    """Return all that was looked at, in words: whether it holds, its matter, of what, and what; what decides first.

    ``faults`` of the design, and limits that could not be looked at, stand among the checks.
    """
    rows = [(verdict(one), MATTERS[one.matter], one.about, one.text) for one in network.checks]
    rows += [("no", "design", "", text) for text in faults]
    rows += [("open", "limits", "", text) for text in network.open_limits]
    return sorted(rows, key=lambda row: ("no", "open", "yes").index(row[0]))


def help_words(change: HelpfulChange) -> tuple[str, str, str, str]:
    """Return a change in words, what is then true of what decides, whether that is enough, and what it takes.

    Where another node, link or message then decides the same matter, that one.
    """
    after = "no longer in the way" if change.after is None else change.after.text
    then = change.then
    if (
        then is not None
        and then.matter == change.before.matter
        and then.about != change.before.about
    ):
        after = f"{then.about}: {then.text}"
    return change.text, after, _enough(change), change.caution


def together_words(together: ChangesTogether) -> str:
    """Return changes that are enough together in words, with what then decides and what they take."""
    last = f" and {together.texts[-1]}" if together.texts[1:] else together.texts[-1]
    changes = ", ".join(together.texts[:-1]) + last
    is_enough = f"perhaps enough ({TOO_CLOSE})" if together.is_close else "enough"
    takes = "; ".join(dict.fromkeys(filter(None, together.cautions)))
    then = f"{together.then.about}: {together.then.text}"
    which = "Together" if together.texts[1:] else "Alone"
    return f"{which} {is_enough}: {changes}. Then {then}{f'. It takes: {takes}' if takes else ''}."


def _enough(change: HelpfulChange) -> str:
    """Return whether a change is enough, or what is next in the way."""
    if change.is_doubtful:
        return DOUBTFUL
    if change.holds:
        return "then it carries"
    if change.is_close:
        return (change.then and change.then.why_open) or TOO_CLOSE
    if change.then is not None and verdict(change.then) == "no":
        is_another = change.then.matter != change.before.matter
        return (
            f"next in the way: {MATTERS[change.then.matter]}" if is_another else "not enough alone"
        )
    if change.then is not None and not change.fails:
        return "then open: not all could be checked"
    if change.fails:
        return f"next in the way: {change.fails[0][0].lower()}{change.fails[0][1:]}"
    return "not enough alone"
