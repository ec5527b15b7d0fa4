"""Words that several findings share: link addresses, hops, rooms."""

from collections.abc import Collection

from lowpanbudget.env import link_text
from lowpanbudget.errors import plural

_MOST_NAMED = 3


def hop_text(source: bytes | None, destination: bytes | None) -> str:
    """Return sender and receiver as text."""
    return f"{link_text(source)} to {link_text(destination)}"


def senders_text(senders: Collection[bytes | None], most: int) -> str:
    """Return who sends as text: a few by name, more as their number, of which ``most`` were told apart."""
    if len(senders) <= _MOST_NAMED:
        return ", ".join(sorted(map(link_text, senders)))
    return f"{len(senders)} nodes or more" if len(senders) >= most else plural(len(senders), "node")


def octets_text(count: int) -> str:
    """Return a count of octets with its unit."""
    return plural(count, "octet")


def room_text(room: int) -> str:
    """Return a room in words, also one below 0."""
    if room < 0:
        return f"the headers alone are {octets_text(-room)} over one frame"
    return f"the room is {room}"


def seconds_text(seconds: float) -> str:
    """Return a span of time in seconds: three digits, and all of those before the point."""
    return f"{seconds:.0f} s" if seconds >= 1000 else f"{seconds:.3g} s"
