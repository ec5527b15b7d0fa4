"""Who compresses with a context that is not known here, and who with others: one alone may have it from elsewhere."""

from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.values import dataclass, field

_FEW = 2  # other nodes, beside which one that alone has a context is told; our choice
_MOST_PLACES = 3  # in headers, which are shown


@dataclass(slots=True)
class UnknownUsers:
    """Who uses a context that is not known, by name with the first frame, and at which places of headers."""

    first: dict[str, int] = field(default_factory=dict)
    places: set[str] = field(default_factory=set)

    def take(self, sender: str, number: int, place: str) -> tuple[str, ...]:
        """Take a use in this frame; return what of its place is to be shown."""
        if len(self.first) < _FEW:
            self.first.setdefault(sender, number)
        if len(self.places) < _MOST_PLACES:
            self.places.add(place)
        return (place,) if place in self.places else ()


class KnownUsers(FirstNamed[str, set[int]]):
    """Who compresses with which contexts that are known, by name."""

    def use(self, sender: str, numbers: set[int]) -> None:
        """Note that a node compresses with these."""
        used = self.entry(sender, set) if numbers else None
        if used is not None:
            used |= numbers

    def told(self, number: int, sender: str) -> tuple[str, ...]:
        """Return in words who uses one beside a node, and whether that did, where anybody did."""
        users = [one for one, numbers in self.items() if number in numbers]
        others = len(users) - (sender in users)
        who = [f"{others} other{'s' * (others > 1)}"] if others else []
        who += [f"{sender} before"] if sender in users else []
        return (f"context {number} is used by {' and '.join(who)}",) if who else ()


@dataclass(slots=True)
class ContextUsers:
    """Who uses contexts that are not known, by number."""

    unknown: FirstNamed[int, UnknownUsers] = field(default_factory=FirstNamed)

    def alone(self, number: int, known: KnownUsers) -> tuple[str, int] | None:
        """Return in words who alone uses a context that is not known, and the first frame; None without others."""
        (user, first), *more = self.unknown[number].first.items()
        others = [one for one in known if one != user]
        if more or len(others) < _FEW:
            return None
        who = f"{'it and ' * (user in known)}{len(others)} others"
        used = sorted({one for numbers in known.values() for one in numbers})
        contexts = f"context{'s' * (len(used) > 1)} {', '.join(map(str, used))}"
        return (
            f"{user} alone compresses with it, first in frame {first}; {who} with {contexts}",
            first,
        )
