"""What a node draws: ``[radio]``, and what it draws from: ``[battery]``. All values are the user's own."""

from decimal import Decimal
from typing import Literal

from lowpanbudget.design.estimate import Estimate, Estimated
from lowpanbudget.design.table import ShapeTable, key
from lowpanbudget.design.takes import Exact, FreeText, Words
from lowpanbudget.values import dataclass

_EXACTLY_ZERO = Estimate(0.0, 0.0, 0.0)


class RadioShape(ShapeTable):
    """What a node draws while it sends, receives and sleeps, each a number or [least, typical, most]."""

    source: str = key(
        FreeText(needed=True),
        "Where the values come from: a data sheet with its page, a measurement, a guess.",
    )
    supply_v: Estimate = key(Estimated(above=0, most=60), "Supply in volts.")
    send_ma: Estimate = key(Estimated(above=0, most=5000), "Milliamperes while the radio sends.")
    receive_ma: Estimate = key(
        Estimated(above=0, most=5000), "Milliamperes while it receives or listens."
    )
    processor_ma: Estimate = key(
        Estimated(least=0, most=5000), "Milliamperes of the processor beside the radio, while the node is awake.",
        default=_EXACTLY_ZERO,
    )  # fmt: skip
    sleep_ua: Estimate = key(
        Estimated(least=0, most=100_000), "Microamperes of the whole node while it sleeps."
    )
    wake_up_us: Estimate = key(
        Estimated(least=0, most=1_000_000), "Microseconds from sleep to a ready radio; the processor draws meanwhile.",
        default=_EXACTLY_ZERO,
    )  # fmt: skip
    backoff: Literal["waits", "listens"] = key(
        Words("waits", "listens"),
        "Whether the radio is off or receives during backoffs.",
        default="waits",
    )


class BatteryShape(ShapeTable):
    """What a node draws from; a number or [least, typical, most]."""

    capacity_mah: Estimate = key(
        Estimated(above=0, most=10_000_000), "Capacity in milliampere-hours."
    )
    usable: Estimate = key(
        Estimated(above=0, most=1),
        "Share of it that can be drawn before the node stops (0.8 is 80 %): cold, pulses and the cut-off voltage leave "
        "less than 1.",
        default=Estimate(1.0, 1.0, 1.0),
    )
    self_discharge: Decimal = key(
        Exact(least=0, below=1),
        "Share of the capacity that is lost in a year by itself: 0.02 is 2 %.",
        default=Decimal(0),
    )


@dataclass(frozen=True, slots=True)
class Radio:
    """What a node draws: volts, milliamperes, microamperes asleep, microseconds of waking up; ``source`` of them."""

    source: str
    supply_v: Estimate
    send_ma: Estimate
    receive_ma: Estimate
    processor_ma: Estimate
    sleep_ua: Estimate
    wake_up_us: Estimate
    backoff_listens: bool


@dataclass(frozen=True, slots=True)
class Battery:
    """Capacity in mAh, the share of it that is usable, and the share that is lost in a year by itself."""

    capacity_mah: Estimate
    usable: Estimate
    self_discharge: float


def radio_of(shape: RadioShape | None) -> Radio | None:
    """Return what ``[radio]`` states."""
    if shape is None:
        return None
    return Radio(
        shape.source, shape.supply_v, shape.send_ma, shape.receive_ma, shape.processor_ma, shape.sleep_ua,
        shape.wake_up_us, shape.backoff == "listens",
    )  # fmt: skip


def battery_of(shape: BatteryShape | None) -> Battery | None:
    """Return what ``[battery]`` states."""
    if shape is None:
        return None
    return Battery(shape.capacity_mah, shape.usable, float(shape.self_discharge))
