"""What a network is tried with, ``[[burst]]``, and what it must keep to, ``[limits]``: both are the user's own."""

from collections.abc import Iterator, Sequence
from decimal import Decimal

from lowpanbudget.design.spelling import spelled
from lowpanbudget.design.table import ShapeTable, key
from lowpanbudget.design.takes import Exact, FreeText, Whole
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.values import dataclass

MOST = 0.95  # of messages that are to arrive, or to be in time, where the design does not say how many: our choice
_WINDOW_S = 3600.0  # of a duty cycle where the design says no other: our choice


class BurstShape(ShapeTable):
    """Packets that a node sends one after another, to see what the network carries."""

    name: str = key(FreeText(needed=True), "The burst's name.")
    flow: str = key(FreeText(needed=True), "Name of the flow that carries it.")
    packets: int = key(Whole(1, 100_000), "How many packets it has.")
    octets: int = key(Whole(0, 65_535), "Octets of application data in each.")
    every_s: Decimal = key(Exact(above=0, most=86_400), "Seconds between two packets.")
    hops: int | None = key(
        Whole(1, 254),
        "Hops between the sender and the root; left out: as many as the flow has, or as the tree is deep.",
        default=None,
    )
    all_in_s: Decimal | None = key(
        Exact(above=0, most=86_400),
        "Seconds from the first packet after which all are to be in.",
        default=None,
    )


class LimitsShape(ShapeTable):
    """What the network is to keep to. No rule of a country is built in: state those of the place."""

    source: str = key(FreeText(), "Where the limits come from.", default="")
    duty_cycle: Decimal | None = key(
        Exact(above=0, most=1),
        "Share of the window in which one node may be on the air: 0.01 is 1 %.",
        default=None,
    )
    window_s: Decimal | None = key(
        Exact(above=0, most=86_400),
        "The window of duty_cycle in seconds, left out: 3600; a frame and a burst are held against what is left of it.",
        default=None,
    )
    frame_ms: Decimal | None = key(
        Exact(above=0, most=60_000), "Milliseconds that one transmission may last.", default=None
    )
    delivery: Decimal | None = key(
        Exact(above=0, most=1),
        "Share of messages that is to arrive, of every node: 0.99 is 99 %; left out: 0.95 is taken to be enough.",
        default=None,
    )
    latency_s: Decimal | None = key(
        Exact(above=0, most=604_800),
        "Seconds from when a message is made to its last bit where it is to arrive.",
        default=None,
    )
    latency_share: Decimal | None = key(
        Exact(above=0, below=1),
        "Share of the messages that is to arrive in latency_s, or of what is played of a burst: 0.99 is 99 %; "
        "left out: 0.95 is taken to be enough.",
        default=None,
    )
    battery_days: Decimal | None = key(
        Exact(above=0, most=100_000), "Days that a battery is to last.", default=None
    )


@dataclass(frozen=True, slots=True)
class Burst:
    """Packets of one node: how many, of how many octets, how many seconds apart, over how many hops (None: all)."""

    name: str
    flow: str
    packets: int
    octets: int
    every_s: float
    hops: int | None
    all_in_s: float | None


@dataclass(frozen=True, slots=True)
class Limits:
    """The user's own limits; None where there is none. Shares are from 0 to 1."""

    source: str
    duty_cycle: float | None
    window_s: float
    frame_ms: float | None
    delivery: float | None
    latency_s: float | None
    latency_share: float
    battery_days: float | None


def burst_flaws(shapes: Sequence[BurstShape], hops_of_flows: dict[str, int]) -> Iterator[Flaw]:
    """Yield every fault of bursts; ``hops_of_flows`` has the hops of each flow by its name."""
    seen: set[str] = set()
    for index, shape in enumerate(shapes):
        if shape.name in seen:
            yield Flaw(
                ("burst", index, "name"),
                f"two bursts are named {shape.name!r}",
                "Rename one of them",
            )
        seen.add(shape.name)
        hops = hops_of_flows.get(shape.flow)
        if hops is None:
            yield Flaw(
                ("burst", index, "flow"), f"there is no flow {shape.flow!r}",
                spelled(shape.flow, hops_of_flows, "Flows"),
            )  # fmt: skip
        elif shape.hops is not None and shape.hops > hops:
            yield Flaw(
                ("burst", index, "hops"), f"flow {shape.flow!r} has {hops} hops at most, not {shape.hops}",
                "Use fewer, or raise those of the flow",
            )  # fmt: skip
        if shape.all_in_s is not None and shape.all_in_s <= (shape.packets - 1) * shape.every_s:
            lasts = (shape.packets - 1) * shape.every_s
            yield Flaw(
                ("burst", index, "all_in_s"),
                f"the last packet is sent {lasts} s after the first: nothing can be in after {shape.all_in_s} s",
                "Allow more than the burst lasts",
            )


def limits_flaws(shape: LimitsShape, *, has_bursts: bool) -> Iterator[Flaw]:
    """Yield every limit that says how another one counts, which is not there: it would hold nothing to anything."""
    if shape.window_s is not None and shape.duty_cycle is None:
        yield Flaw(
            ("limits", "window_s"), "it is the window of duty_cycle, and there is none",
            "Add duty_cycle (0.01 is 1 %), or leave it out",
        )  # fmt: skip
    if shape.latency_share is not None and shape.latency_s is None and not has_bursts:
        yield Flaw(
            ("limits", "latency_share"), "it is the share that is to arrive in latency_s, and there is none",
            "Add latency_s, the seconds that a message may take, or leave it out",
        )  # fmt: skip


def bursts_of(shapes: Sequence[BurstShape]) -> tuple[Burst, ...]:
    """Return the bursts that a design states."""
    return tuple(
        Burst(
            shape.name, shape.flow, shape.packets, shape.octets, float(shape.every_s), shape.hops,
            _number(shape.all_in_s),
        )
        for shape in shapes
    )  # fmt: skip


def limits_of(shape: LimitsShape | None) -> Limits | None:
    """Return what ``[limits]`` states."""
    if shape is None:
        return None
    return Limits(
        shape.source,
        _number(shape.duty_cycle),
        _WINDOW_S if shape.window_s is None else float(shape.window_s),
        _number(shape.frame_ms),
        _number(shape.delivery),
        _number(shape.latency_s),
        MOST if shape.latency_share is None else float(shape.latency_share),
        _number(shape.battery_days),
    )


def _number(value: Decimal | None) -> float | None:
    return None if value is None else float(value)
