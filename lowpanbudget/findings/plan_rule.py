"""What every rule against a design has: the flow that a datagram belongs to."""

from lowpanbudget.cites import Cite, rfc
from lowpanbudget.findings.flows import Book, Match
from lowpanbudget.findings.rule import Rule
from lowpanbudget.findings.scene import Known, Whole

HEADERS = rfc(6282, "3.1")
DESIGN = Cite("the design file")  # what no standard says, the plan does


class PlanRule(Rule):
    """What rules against a design share: nothing is said without one."""

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.book = None if known.design is None else Book(known.design)

    def matched(self, thing: Whole) -> tuple[Match, bytes] | None:
        """Return the flow of a datagram and its UDP payload; None outside of any flow."""
        found = thing.udp() if self.book is not None else None
        if found is None or self.book is None:
            return None
        match = self.book.match(thing, found[0], found[1])
        return None if match is None else (match, found[2])
