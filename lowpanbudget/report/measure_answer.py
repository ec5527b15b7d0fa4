"""What a measurement says in one sentence, and what its tables want said beneath them."""

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from lowpanbudget.errors import plural

_LINK_WORDS = (
    "tries: for each frame; heard: the share of tries whose acknowledgement was heard here, and its two-sided "
    "interval; never: frames whose tries were used up or refused"
)
_MOST_LINKS = 4  # that are told
_NODE_WORDS = (
    "answers: acknowledgements; duty: the share of the time on the air, worst: in the worst window of the design's "
    "limits; missed: of the numbers of its frames, here."
)
_MOST_NAMES = 12
_OFTEN = 0.2  # of the messages, from which it is told that they come again; our choice


def answer(found: dict[str, Any]) -> str:
    """Return whether a measurement is as planned, and where the times that it was reckoned from go back."""
    told = [_as_planned(found)]
    if found["leap"] is not None:
        told.append(found["leap"]["text"])
    back = found["put_back"]
    if back is not None:
        often = f", {back['times']} times in all" if back["times"] > 1 else ""
        told.append(f"{back['text']}{often}")
    return "; ".join(told)


def _as_planned(found: dict[str, Any]) -> str:
    checks = found["checks"]
    verdicts = Counter(check["verdict"] for check in checks)
    if not found["frames"]:
        return "nothing to measure"
    if found["without_header"] == found["frames"]:
        return f"nothing to measure, none of {plural(found['frames'], 'frame')} can be read"
    if not checks:
        return "nothing that the plan tells of" if found["has_plan"] else "no plan to compare with"
    if verdicts["outside"]:
        return f"outside of the plan in {verdicts['outside']} of {plural(len(checks), 'number')}"
    if verdicts["open"]:
        return f"nothing outside of the plan, {verdicts['open']} of {plural(len(checks), 'number')} open"
    return f"as planned in {plural(len(checks), 'number')}"


def flow_words(flows: Sequence[dict[str, Any]]) -> str:
    """Return what the columns of messages mean."""
    told = []
    if any(flow["arrived"] is not None for flow in flows):
        unheard = any(flow["arrived"] is not None and flow["perhaps"] for flow in flows)
        told.append(
            "95 % sure: the share that arrives, two-sided"
            + (", its upper end with all that may have come by unheard" if unheard else "")
        )
    if any(flow["took"] is not None for flow in flows):
        told.append(
            "took: from the first bit of the first try to the last bit of the one that arrived (its first "
            "bit without a design)"
        )
    text = "; ".join(told)
    text = text and f"{text}."
    dropped = [f"{flow['dropped']} of {flow['title']}" for flow in flows if flow["dropped"]]
    if dropped:
        text += f" Cannot arrive: {'; '.join(dropped[:_MOST_LINKS])}"
        more = len(dropped) - _MOST_LINKS
        text += f"; and of {plural(more, 'more flow')}." if more > 0 else "."
    again = [flow for flow in flows if flow["again"] >= _OFTEN * flow["datagrams"]]
    if again:
        said = [f"{one['datagrams']} of {one['title']} {one['again']} times" for one in again]
        text += f" Sent again in frames of another number, which takes air: {'; '.join(said[:_MOST_LINKS])}"
        more = len(said) - _MOST_LINKS
        text += f"; and of {plural(more, 'more flow')}." if more > 0 else "."
    return text.strip()


def _lost_row(link: dict[str, Any]) -> Iterator[str]:
    """Yield the cells of a link on which messages were lost."""
    yield from (link["sender"], link["receiver"])
    yield from (str(link["messages"]), str(link["taken"]))


def _lost_words(_links: Sequence[dict[str, Any]]) -> str:
    """Return what the columns of lost messages mean."""
    return (
        "Of a message in several frames the one that went no further; taken: the receiver has it and keeps it, or sent "
        "it on unheard here; the others were tried there in vain."
    )


LOST_TABLE = (
    "Where messages were heard last that did not arrive",
    ("from", "to", "messages", "taken"),
    _lost_row,
    _lost_words,
)


def link_words(links: Sequence[dict[str, Any]]) -> str:
    """Return what the columns of links mean, and which links have tries that were refused."""
    refused = [link for link in links if link["refused"]]
    if not refused:
        return f"{_LINK_WORDS}."
    told = ", ".join(
        f"{link['refused']} of {link['tries']} {'try' if link['tries'] == 1 else 'tries'} "
        f"{link['sender']} to {link['receiver']}"
        for link in refused[:_MOST_LINKS]
    )
    more = len(refused) - _MOST_LINKS
    told += f" and on {plural(more, 'more link')}" if more > 0 else ""
    return f"{_LINK_WORDS}; refused (nack = 1, received but not accepted), which does not count as heard: {told}."


def node_words(nodes: Sequence[dict[str, Any]]) -> str:
    """Return what the columns of nodes mean, and the other address of nodes that have two."""
    both = [f"{node['node']} is {node['other']}" for node in nodes if node["other"]]
    if not both:
        return _NODE_WORDS
    more = len(both) - _MOST_NAMES
    return (
        f"{_NODE_WORDS} {', '.join(both[:_MOST_NAMES])}{f' and {more} more' if more > 0 else ''}."
    )


def recovery_text(recovery: dict[str, Any]) -> str:
    """Return what became of datagrams in recoverable fragments."""
    text = (
        f"In recoverable fragments, counted on each link: {plural(recovery['begun'], 'datagram')}"
    )
    text += f", {recovery['acknowledged']} acknowledged as whole"
    if recovery["aborted"]:
        text += f", {recovery['aborted']} aborted by the receiver"
    if recovery["not_heard"]:
        text += f"; {recovery['not_heard']} of those acknowledged not heard whole here, and not taken for lost"
    return f"{text}."
