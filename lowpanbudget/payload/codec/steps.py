"""The steps of a group being collected while a message is compiled: fixed fields side by side become one run."""

from lowpanbudget.payload.codec.groups import Maybe
from lowpanbudget.payload.codec.nodes import LeafPlace, Run, Step
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.kinds.field import Field

_RUN_BITS = 512  # a longer run is no faster: the number it makes is too long


class Steps:
    """A list of steps under construction; ``position`` is the bit reached, or None once that varies."""

    def __init__(self, order: Order) -> None:
        self._order = order
        self._steps: list[Step] = []
        self._pending: list[LeafPlace] = []
        self.position: int | None = 0

    def advance(self, bits: int) -> None:
        """Move on by bits that no step of the list writes."""
        if self.position is not None:
            self.position += bits

    def fixed(self, place: LeafPlace) -> None:
        """Append a field of fixed width, to be joined with its neighbours."""
        if sum(pending.codec.width for pending in self._pending) + place.codec.width > _RUN_BITS:
            self._flush()
        self._pending.append(place)
        self.advance(place.codec.width)

    def apart(self, field: Field, step: Step) -> None:
        """Append a field that is a step by itself."""
        self._flush()
        self._steps.append(Maybe(field, step) if field.optional else step)
        if field.optional or step.least != step.greatest:
            self.position = None
        else:
            self.advance(step.least)

    def finish(self) -> list[Step]:
        """Return the steps."""
        self._flush()
        return self._steps

    def _flush(self) -> None:
        if self._pending:
            self._steps.append(Run(self._pending, self._order))
            self._pending = []
