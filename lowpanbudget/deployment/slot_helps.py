"""What may help a network in slots: other numbers of cells, another slotframe, another order."""

from collections.abc import Iterator, Sequence

from lowpanbudget.deployment.airtime import MessageAirtime, airtime
from lowpanbudget.deployment.change import PossibleChange
from lowpanbudget.deployment.fewest import WORDS
from lowpanbudget.design.access import Access, Slots
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import plural
from lowpanbudget.values import replace


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

    listening = "each of them is listened to"
    for cells in sorted({max(needed, slots.cells + 1), slots.cells * 2}):
        if slots.cells < cells <= slots.slotframe:
            yield with_slots("cells", WORDS["access.slots.cells"](cells), listening, cells=cells)
    if down > slots.cells_down:
        text = f"{plural(down, 'cell')} to each child"
        yield with_slots("cells_down", text, listening, cells_down=down)
    for length in (slots.slotframe // 2, slots.slotframe * 2):
        # odd, and so without a common divisor with most numbers of channels
        odd = length | 1
        caution = listening if odd < slots.slotframe else "everything takes twice as long"
        yield with_slots(
            "slotframe", f"a slotframe of {plural(odd, 'slot')}", caution, slotframe=odd
        )
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
