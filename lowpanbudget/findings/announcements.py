"""Announcements of contexts: the last of each, by who announced it first, and for how long it holds."""

from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.capture.follow.context_moves import CHANGE_DELAY_S
from lowpanbudget.capture.follow.learning import BorderVersion
from lowpanbudget.env import Context
from lowpanbudget.layers.internet.nd.lowpan_options import ContextOption

_MOST_HEARD = 64  # nodes that are known to have heard of a change; our choice
_ON_THE_WAY_S = 1  # after a change, for which a frame may have been on its way


class Announcement(NamedTuple):
    """What an advertisement says of a context, when, in which frame, and the address of who says so.

    ``lasted_s`` is for how long it was announced until frame ``changed``, where that was for another time. ``border``:
    the border router that it comes from, and the version. ``between`` are the ends of frames in which others than the
    first router passed a change on: only these are known to have heard of it.
    """

    option: ContextOption
    time_s: float
    number: int
    source: IPv6Address | None
    border: BorderVersion | None = None
    between: tuple[bytes | None, ...] = ()
    lasted_s: int | None = None
    changed: int = 0

    def behind(self, known: "Announcement") -> "Announcement":
        """Return it as one that follows another by the same router."""
        if known.option.prefix != self.option.prefix:
            return self
        if known.option.lifetime_s == self.option.lifetime_s:
            return self._replace(lasted_s=known.lasted_s, changed=known.changed)
        return self._replace(lasted_s=known.option.lifetime_s, changed=self.number)

    @property
    def change(self) -> tuple[str, ...]:
        """Return in words since when it is announced for another time; nothing where it is not."""
        if self.lasted_s is None:
            return ()
        now = f"since frame {self.changed} it is announced for {self.option.lifetime_s} s"
        return (f"{now}, before for {self.lasted_s} s",)

    def is_of_first(self, known: "Announcement") -> bool:
        """Return whether it is by the same router, or brings a later version of the same border router."""
        return known.source == self.source or self.is_newer_than(known)

    def is_newer_than(self, known: "Announcement") -> bool:
        """Return whether it brings a later version of the same border router."""
        return self.border is not None and self.border.is_newer_than(known.border)

    def is_known_to(self, node: bytes | None, age_s: float) -> bool:
        """Return whether a node knows it so long after: all do then (RFC 6775 section 7.2)."""
        return not self.between or node in self.between or age_s > CHANGE_DELAY_S

    def is_too_soon(self, age_s: float) -> bool:
        """Return whether the context must not compress so long after: not yet, or no more while it still expands."""
        option = self.option
        if option.removes or option.may_compress:
            return False
        return _ON_THE_WAY_S <= age_s <= option.lifetime_s + _ON_THE_WAY_S

    def why_too_late(self, age_s: float) -> str:
        """Return why nobody has the context any more so long after; nothing when they have."""
        if self.option.removes and age_s >= _ON_THE_WAY_S:
            return "was withdrawn"
        if age_s > self.option.lifetime_s + _ON_THE_WAY_S:
            return f"ran out after {self.option.lifetime_s} s"
        return ""

    def used(self, number: int, age_s: float) -> str:
        """Return in words that a frame uses the context so long after."""
        return f"frame {self.number}: announcement; frame {number}: used {age_s:.1f} s later"

    def is_kept_by(self, other: "Announcement") -> bool:
        """Return whether another router says the same, and for as long."""
        mine, its = self.option, other.option
        alike = mine.prefix == its.prefix and mine.may_compress == its.may_compress
        return alike and other.time_s + its.lifetime_s >= self.time_s + mine.lifetime_s


class Announcements(dict[int, Announcement]):
    """The last announcement of each context by who announced it first, as long as that holds: others are told apart."""

    def take(self, new: Announcement, held: Context | None) -> None:
        """Take an announcement; ``held`` is what is known under its number."""
        cid = new.option.cid
        known = self.get(cid)
        if known is None:
            if held is None or held.prefix == new.option.prefix:
                self[cid] = new
        elif known.is_newer_than(new) and known.source != new.source:
            return  # "silently ignored" (RFC 6775 section 8.1.3)
        elif (
            new.is_of_first(known)
            or known.is_too_soon(new.time_s - known.time_s)
            or known.why_too_late(new.time_s - known.time_s)
            or known.is_kept_by(new)
        ):
            heard = () if new.is_newer_than(known) else known.between
            between = (*heard, *new.between) if heard or new.is_newer_than(known) else ()
            new = new.behind(known) if new.is_of_first(known) else new
            self[cid] = new._replace(between=between[:_MOST_HEARD])
