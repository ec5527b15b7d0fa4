"""What may help a network in slots: other numbers of cells, another slotframe, another order."""

from collections.abc import Iterator, Sequence

from lowpanbudget.deployment.airtime import MessageAirtime
from lowpanbudget.deployment.change import PossibleChange
from lowpanbudget.deployment.fewest import with_value
from lowpanbudget.deployment.ladder import Ladder, alone, doubled, turned_by
from lowpanbudget.design.access import Slots
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import plural

_SLOTFRAME = "access.slots.slotframe"
_LISTENING = "each of them is listened to"
_DOUBLINGS = 3


def slot_ladders(
    design: Design, slots: Slots, messages: Sequence[MessageAirtime], needed: int, down: int
) -> Iterator[Ladder]:  # fmt: skip
    """Yield changes of slots; so many cells up, and ``down``, are needed."""
    begun = max(needed, slots.cells + 1)
    cells = [one for one in (begun, *doubled(begun, _DOUBLINGS - 1)) if one <= slots.slotframe]
    # those that none needs are listened to all the same; a burst, of which nothing is usual, may need each
    halves = (max(slots.cells >> times, needed, 1) for times in range(1, _DOUBLINGS + 1))
    fewer = [one for one in halves if one < slots.cells and messages]
    for counts, takes in ((cells, _LISTENING), (fewer, "what waits for a cell waits longer")):
        yield turned_by(
            design, "access.slots.cells", counts, lambda count: f"{plural(count, 'cell')} to each parent", takes,
            messages,
        )  # fmt: skip
    if down:
        begun = max(down, slots.cells_down + 1)
        counts = [one for one in (begun, *doubled(begun, _DOUBLINGS - 1)) if one <= slots.slotframe]
        yield turned_by(
            design, "access.slots.cells_down", counts, lambda count: f"{plural(count, 'cell')} to each child",
            _LISTENING, messages,
        )  # fmt: skip
    # odd, as most numbers of channels are not: so cells have no channel always, but all of them in turn
    shorter = (slots.slotframe >> times | 1 for times in range(1, _DOUBLINGS + 1))
    longer = (int(length) | 1 for length in doubled(slots.slotframe, _DOUBLINGS))
    for lengths in ([one for one in shorter if one < slots.slotframe], tuple(longer)):
        yield turned_by(
            design, _SLOTFRAME, lengths, lambda length: f"a slotframe of {plural(length, 'slot')}",
            lambda length: _takes(length / slots.slotframe), messages, step=2,
        )  # fmt: skip
    for order in ("up", "down"):
        if order != slots.order:
            text = f"cells in order {'towards the root' if order == 'up' else 'from the root'}"
            against = "down" if order == "up" else "up"
            then = with_value(design, "access.slots.order", order)
            takes = f"what goes {against} is against it"
            yield alone(PossibleChange("access.slots.order", text, then, messages, takes))
    # beacons tell each shared cell, and no frame has more of the rest
    more = [
        one for one in doubled((slots.shared_cells + 1) / 2, _DOUBLINGS) if one <= slots.slotframe
    ]
    for shared in (more, (1,) if slots.shared_cells > 1 else ()):
        yield turned_by(
            design, "access.slots.shared_cells", [int(one) for one in shared],
            lambda count: plural(count, "shared cell"),
            lambda count: _LISTENING if count > slots.shared_cells else "newcomers find it later", None,
        )  # fmt: skip


def _takes(longer: float) -> str:
    """Return what a slotframe takes that is so many times as long."""
    times = "twice" if round(longer, 1) == 2 else f"{longer:.2g} times"
    return _LISTENING if longer < 1 else f"everything takes {times} as long"
