"""What stands around a payload, really written: how many octets carry how many."""

from collections.abc import Sequence
from itertools import product

from lowpanbudget.design.knob import Share
from lowpanbudget.design.knobs import turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import LowpanError
from lowpanbudget.room.sweep.axes import Axis
from lowpanbudget.room.sweep.tables import Changes, bearing_on, changes_of


class Around:
    """One way to write a payload, of the application's axes at ``places``. ``refused``: why it cannot be written."""

    def __init__(
        self, design: Design, flow: str, places: tuple[int, ...], changes: Changes
    ) -> None:
        self.places = places
        self._payloads: dict[int, int] = {}
        self.refused = ""
        try:
            self._application = turned(design, filter(None, changes)).flow(flow).application
            self.length(1)
        except LowpanError as error:
            self.refused = error.message

    def length(self, payload: int) -> int:
        """Return the octets behind the last header that carry so many octets of payload."""
        return self._application.octets(payload)

    def payload(self, octets: int) -> int:
        """Return the largest payload that is carried by so many; below 0, by how many there are too few for none."""
        if octets not in self._payloads:
            self._payloads[octets] = self._largest(octets)
        return self._payloads[octets]

    def _largest(self, octets: int) -> int:
        empty = self.length(0)
        if octets < empty:
            return octets - empty
        payload = octets - empty
        while (over := self.length(payload) - octets) > 0:
            payload = max(payload - over, 0)
        while self.length(payload + 1) <= octets:
            payload += 1
        return payload


def around(design: Design, flow: str, axes: Sequence[Axis]) -> tuple[tuple[int, ...], list[Around]]:
    """Return the numbers of the axes that bear on what stands around a payload, and each combination of them."""
    numbers = bearing_on(axes, Share.APPLICATION)
    combinations = product(*(range(len(axes[number].values)) for number in numbers))
    return numbers, [
        Around(design, flow, places, changes_of(axes, numbers, places)) for places in combinations
    ]
