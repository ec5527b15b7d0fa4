"""What may keep clocks within the guard: beacons or keep-alives as often as that lasts."""

from collections.abc import Iterator

from lowpanbudget.deployment.airtime import airtime
from lowpanbudget.deployment.change import PossibleChange
from lowpanbudget.deployment.ladder import rounded_down
from lowpanbudget.design.allowed import is_allowed
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.upkeep_shape import NO_UPKEEP, Upkeep
from lowpanbudget.values import replace


def clock_changes(design: Design, guard_lasts_s: float) -> Iterator[PossibleChange]:
    """Yield the changes of upkeep that set each clock before the guard is over, each alone."""
    upkeep = NO_UPKEEP if design.upkeep is None else design.upkeep
    every_s = rounded_down(guard_lasts_s)
    if design.link.acknowledged:
        yield from _of_upkeep(
            design, "keep_alive_s", replace(upkeep, keep_alive_s=every_s),
            f"a keep-alive after {every_s:g} s of silence", "each keep-alive costs",
        )  # fmt: skip
    if upkeep.beacon_s is not None:
        yield from _of_upkeep(
            design, "beacon_s", replace(upkeep, beacon_s=every_s), f"a beacon each {every_s:g} s",
            "each beacon costs, and one that is lost sets no clock",
        )  # fmt: skip


def _of_upkeep(
    design: Design, name: str, upkeep: Upkeep, text: str, takes: str
) -> Iterator[PossibleChange]:
    key, then = f"upkeep.{name}", replace(design, upkeep=upkeep)
    if is_allowed(then, key):
        yield PossibleChange(key, text, then, airtime(then), takes)
