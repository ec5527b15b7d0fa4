"""What may help a network in slots: other numbers of cells, another slotframe, another order."""

from collections.abc import Iterator, Sequence

from lowpanbudget.deployment.airtime import MessageAirtime, airtime
from lowpanbudget.deployment.change import PossibleChange
from lowpanbudget.deployment.fewest import WORDS
from lowpanbudget.design.access import Access, Slots
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import plural
from lowpanbudget.values import replace

SLOTFRAME = "access.slots.slotframe"
_LISTENING = "each of them is listened to"


def slotframe_words(length: int, before: int) -> tuple[str, str]:
    """Return a slotframe of so many slots in words, and what it takes where it had so many ``before``."""
    longer = length / before
    times = "twice" if round(longer, 1) == 2 else f"{longer:.2g} times"
    takes = _LISTENING if longer < 1 else f"everything takes {times} as long"
    return f"a slotframe of {plural(length, 'slot')}", takes


def with_slotframe(
    design: Design, access: Access, slots: Slots, messages: Sequence[MessageAirtime], length: int
) -> PossibleChange:
    """Return the change to a slotframe of so many slots, or one more: odd, as most numbers of channels are not.

    So cells have no channel always, but all of them in turn.
    """
    odd = length | 1
    changed = replace(design, access=replace(access, slots=replace(slots, slotframe=odd)))
    text, takes = slotframe_words(odd, slots.slotframe)
    return PossibleChange(SLOTFRAME, text, changed, messages, takes)


def slot_changes(
    design: Design, access: Access, slots: Slots, messages: Sequence[MessageAirtime], needed: int, down: int
) -> Iterator[PossibleChange]:  # fmt: skip
    """Yield changes of slots; so many cells up, and ``down``, are needed."""

    def with_slots(key: str, text: str, caution: str = "", **changes: object) -> PossibleChange:
        then = replace(access, slots=replace(slots, **changes))  # type: ignore[arg-type]
        changed = replace(design, access=then)
        # beacons tell each shared cell, and no frame has more of the rest
        sent = airtime(changed) if key == "shared_cells" else messages
        return PossibleChange(f"access.slots.{key}", text, changed, sent, caution)

    listening = _LISTENING
    for cells in sorted({max(needed, slots.cells + 1), slots.cells * 2}):
        if slots.cells < cells <= slots.slotframe:
            yield with_slots("cells", WORDS["access.slots.cells"](cells), listening, cells=cells)
    if down > slots.cells_down:
        text = f"{plural(down, 'cell')} to each child"
        yield with_slots("cells_down", text, listening, cells_down=down)
    for length in (slots.slotframe // 2, slots.slotframe * 2):
        yield with_slotframe(design, access, slots, messages, length)
    for order in ("up", "down"):
        if order != slots.order:
            text = f"cells in order {'towards the root' if order == 'up' else 'from the root'}"
            against = "down" if order == "up" else "up"
            yield with_slots("order", text, f"what goes {against} is against it", order=order)
    yield with_slots(
        "shared_cells",
        plural(slots.shared_cells + 1, "shared cell"),
        listening,
        shared_cells=slots.shared_cells + 1,
    )
    if slots.shared_cells > 1:
        yield with_slots("shared_cells", "1 shared cell", "newcomers find it later", shared_cells=1)
