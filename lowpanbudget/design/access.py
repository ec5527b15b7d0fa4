"""How nodes get onto the air: ``[access]``, by listening first or in time slots (``[access.slots]``)."""

from collections.abc import Iterator
from decimal import Decimal
from typing import TYPE_CHECKING, Literal

from lowpanbudget.design.table import ShapeTable, Subtable, key
from lowpanbudget.design.takes import Exact, Flag, Whole, Words
from lowpanbudget.layers.link.pib import BACKOFFS, MAX_BE, MIN_BE, RETRIES, Attribute
from lowpanbudget.layers.link.timeslots import TEMPLATES, SlotTemplate
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.values import dataclass, replace

if TYPE_CHECKING:
    from lowpanbudget.design.link import Link

Method = Literal["csma", "slots"]
CellOrder = Literal["random", "up", "down"]
Busy = Literal["gives-up", "tries-again"]

# macMinBE, macMaxBE of unslotted CSMA-CA and of shared cells, and the others' standard defaults (from memory)
_EXPONENTS: dict[Method, tuple[int, int]] = {"csma": (3, 5), "slots": (1, 7)}
_RETRIES, _BACKOFFS = 3, 4


def _times_text(name: str, times: SlotTemplate) -> str:
    """Return in words how long the slots of a template are, and when a frame in them is heard."""
    early, late = times.window
    return f"{name}: {times.length:g} µs long, a frame is heard from {early:g} µs early to {late:g} late"


class SlotsShape(ShapeTable):
    """The slots of a TSCH network: their times, the slotframe, and the cells that each link has in it."""

    template: str = key(
        Words(*TEMPLATES),
        "The times of a slot, which the keys below change. "
        + "; ".join([_times_text(*template) for template in TEMPLATES.items()])
        + ".",
        default="10ms",
    )
    slot_us: Decimal | None = key(
        Exact(least=1000, most=1_000_000),
        "Length of a slot in microseconds: no frame that carries a message ends behind it, nor what acknowledges it.",
        default=None,
    )
    max_frame_us: Decimal | None = key(
        Exact(least=100, most=1_000_000),
        "Microseconds that a slot leaves for a frame, preamble included (macTsMaxTx): no longer frame carries a "
        "message, and rooms end there.",
        default=None,
    )
    max_ack_us: Decimal | None = key(
        Exact(least=100, most=1_000_000),
        "Microseconds that a slot leaves for an acknowledgement (macTsMaxAck).",
        default=None,
    )
    guard_us: Decimal | None = key(
        Exact(least=10, most=100_000),
        "Microseconds that a receiver listens before and after the time of a frame, each; unless stated those of the "
        "template, of which the shorter counts where they differ.",
        default=None,
    )
    listens_first: bool = key(
        Flag(), "Whether a sender does a CCA before it sends in its slot.", default=False
    )
    slotframe: int = key(Whole(1, 0xFFFF), "Slots in a slotframe.", default=101)
    channels: int = key(Whole(1, 512), "Channels that are hopped over.", default=16)
    cells: int = key(
        Whole(0, 0xFFFF),
        "Cells a slotframe that each node has towards its parent, spread evenly over it: side by side, or at any "
        "places, messages wait longer. 0: nothing is carried to it; messages to one node in shared cells are not "
        "counted here.",
        default=1,
    )
    cells_down: int = key(
        Whole(0, 0xFFFF),
        "Cells a slotframe from a parent to each of its children, spread evenly over it. 0: nothing is carried to "
        "them.",
        default=1,
    )
    shared_cells: int = key(
        Whole(0, 0xFFFF),
        "Cells a slotframe that all nodes share: for beacons and routing, what is sent to all around. Near a node "
        "one frame a cell on average is allowed: beyond that, of more that are sent fewer come through.",
        default=1,
    )
    order: CellOrder = key(
        Words("random", "up", "down"),
        "How the cells of a path follow each other: as they come (the first of each link anywhere in the slotframe), "
        "or one after the other towards the root or from it.",
        default="random",
    )
    drift_ppm: Decimal = key(
        Exact(least=0, most=1000),
        "How far a node's clock may be off, in parts per million; two of them differ by twice that.",
        default=Decimal(20),
    )


class AccessShape(ShapeTable):
    """How nodes get onto the air, and how often they try."""

    method: Method = key(
        Words("csma", "slots"),
        "By listening first (unslotted CSMA-CA), or in the slots of TSCH.",
    )
    retries: int = key(
        Whole(0, 255),
        "How often a frame is sent again that nobody acknowledged (macMaxFrameRetries: "
        f"{RETRIES.least} to {RETRIES.most}; more is for somebody above the MAC to do).",
        default=_RETRIES,
    )
    min_be: int | None = key(
        Whole(0, 20),
        f"Least backoff exponent (macMinBE: {MIN_BE.least} to macMaxBE): 3, of shared cells 1, where it is left out.",
        default=None,
    )
    max_be: int | None = key(
        Whole(0, 20),
        f"Greatest backoff exponent (macMaxBE: {MAX_BE.least} to {MAX_BE.most}): 5, of shared cells 7, where it is "
        "left out.",
        default=None,
    )
    backoffs: int = key(
        Whole(0, 20),
        f"Backoffs after the first for one transmission (macMaxCSMABackoffs: {BACKOFFS.least} to {BACKOFFS.most}).",
        default=_BACKOFFS,
    )
    busy: Busy = key(
        Words("gives-up", "tries-again"),
        "What becomes of a frame whose channel was busy too often: lost, as the standard has it, or tried again as if "
        "it had been sent.",
        default="gives-up",
    )
    unit_backoff_us: Decimal | None = key(
        Exact(least=20, most=100_000),
        "The unit of backoffs in microseconds where a coarse clock makes it longer than the PHY's own.",
        default=None,
    )
    slots: SlotsShape | None = key(Subtable(SlotsShape), default=None)


@dataclass(frozen=True, slots=True)
class Slots:
    """The slots of a network: times in microseconds, cells a slotframe, ``drift_ppm`` of one clock."""

    template: SlotTemplate
    listens_first: bool
    slotframe: int
    channels: int
    cells: int
    cells_down: int
    shared_cells: int
    order: CellOrder
    drift_ppm: float

    @property
    def slotframe_s(self) -> float:
        """Return how long a slotframe lasts, in seconds."""
        return self.slotframe * self.template.length / 1e6

    @property
    def synchronised_s(self) -> float | None:
        """Return how many seconds two clocks stay within the guard; None where they do not drift."""
        return self.template.guard / (2 * self.drift_ppm) if self.drift_ppm else None

    def taken(self, links: int) -> int:
        """Return in how many slots a node with so many links is awake: it sends or receives in one, never both."""
        return links * (self.cells + self.cells_down) + self.shared_cells


@dataclass(frozen=True, slots=True)
class Access:
    """How nodes get onto the air.

    ``retries`` come after the first transmission, ``backoffs`` after the first of each; ``unit_backoff_us`` is None
    where the PHY's own is used. ``busy_tries_again``: a channel that was busy too often counts as a transmission, else
    the frame is lost. ``slots`` is None for CSMA-CA.
    """

    method: Method
    retries: int
    min_be: int
    max_be: int
    backoffs: int
    unit_backoff_us: float | None
    busy_tries_again: bool
    slots: Slots | None

    def on(self, link: "Link") -> "Access":
        """Return the access as it works on a link: where nothing is acknowledged nothing is sent again."""
        return self if link.acknowledged else replace(self, retries=0)

    @property
    def beyond_standard(self) -> Iterator[tuple[str, int, Attribute]]:
        """Yield the keys whose numbers no MAC of the standard takes, with the number and the attribute."""
        values = [
            ("retries", self.retries, RETRIES), ("min_be", self.min_be, MIN_BE), ("max_be", self.max_be, MAX_BE),
        ]  # fmt: skip
        if self.slots is None:  # in shared cells a frame is tried as often as it is sent again
            values.append(("backoffs", self.backoffs, BACKOFFS))
        for name, value, attribute in values:
            if not attribute.least <= value <= attribute.most:
                yield name, value, attribute


def access_flaws(shape: AccessShape, *, slotted: bool) -> Iterator[Flaw]:
    """Yield every fault of the keys of ``[access]`` together with those of the link."""
    is_slots = shape.method == "slots"
    if is_slots != slotted:
        told = "true" if is_slots else "false"
        yield Flaw(
            ("access", "method"), f"{shape.method!r} goes with link.slotted = {told}",
            "Change one of the two",
        )  # fmt: skip
    if shape.slots is not None and not is_slots:
        yield Flaw(
            ("access", "slots"), "a network without slots has none of these keys",
            'Use method = "slots", or leave [access.slots] out',
        )  # fmt: skip
    least, most = _exponents(shape)
    if least > most:
        yield Flaw(
            ("access", "min_be"), f"the least backoff exponent {least} is above the greatest, {most}",
            "Exponents grow with each try: min_be up to max_be",
        )  # fmt: skip
    if shape.slots is not None and is_slots:
        yield from _slot_flaws(shape.slots)


def _slot_flaws(shape: SlotsShape) -> Iterator[Flaw]:
    slots = _slots(shape)
    times = slots.template
    if times.guard <= 0 or times.rx_offset < 0:
        yield Flaw(
            ("access", "slots", "guard_us"),
            f"a guard of {times.guard:g} µs does not fit before a frame, {times.tx_offset:g} µs into the slot",
            "Use a shorter guard",
        )
    for name, count in (
        ("cells", slots.cells),
        ("cells_down", slots.cells_down),
        ("shared_cells", slots.shared_cells),
    ):
        if count > slots.slotframe:
            yield Flaw(
                ("access", "slots", name), f"{count} cells are more than the {slots.slotframe} slots of a slotframe",
                "A node has one cell a slot at most",
            )  # fmt: skip


def _exponents(shape: AccessShape) -> tuple[int, int]:
    least, most = _EXPONENTS[shape.method]
    return (
        least if shape.min_be is None else shape.min_be,
        most if shape.max_be is None else shape.max_be,
    )


def access_of(shape: AccessShape | None) -> Access | None:
    """Return what ``[access]`` states, with the standard's defaults for what it leaves out."""
    if shape is None:
        return None
    slots = None
    if shape.method == "slots":
        slots = _slots(SlotsShape.of_defaults() if shape.slots is None else shape.slots)
    unit = shape.unit_backoff_us
    return Access(
        shape.method,
        shape.retries,
        *_exponents(shape),
        shape.backoffs,
        None if unit is None else float(unit),
        shape.busy == "tries-again",
        slots,
    )


def _slots(shape: SlotsShape) -> Slots:
    usual = TEMPLATES[shape.template]
    template = usual._replace(
        length=float(shape.slot_us or usual.length),
        max_tx=float(shape.max_frame_us or usual.max_tx),
        max_ack=float(shape.max_ack_us or usual.max_ack),
    )
    if shape.guard_us is not None:
        template = template.with_guard(float(shape.guard_us))
    return Slots(
        template,
        shape.listens_first,
        shape.slotframe,
        shape.channels,
        shape.cells,
        shape.cells_down,
        shape.shared_cells,
        shape.order,
        float(shape.drift_ppm),
    )
