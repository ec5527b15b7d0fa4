"""A time counted from an epoch.

SenML's base time and time (RFC 8428 section 4.1 and 4.2) are the same idea: what follows a gap can still be dated.
"""

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any, ClassVar

from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.exact import EXACT, digits, exact, is_plain
from lowpanbudget.payload.flaws import Flaw, Misfit
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.leaf import MAX_BITS, Leaf
from lowpanbudget.payload.kinds.number import Number

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


_LIKE_A_DATE = re.compile(r"\d{4}-\d|\d{1,4}[/.]\d{1,2}[/.]\d")
# A time that is past when this is read. No clock is asked: a design is judged alike on every day.
_TODAY = "2026-01-01T00:00:00Z"
_YEAR = 31_557_600  # seconds
_LIFE = 5  # years that nodes stay in the field at least: common practice, no source


@field_kind
class Time(Leaf):
    """A time as steps since an epoch, in seconds: what other times of the message may be counted from.

    ``epoch`` is for people and programs that show the time (an ISO 8601 date); values are seconds
    since then.
    """

    bits: int = key("The width of the number of steps.", default=32)
    step: Decimal = key("The resolution in seconds.", default=Decimal(1))
    epoch: str = key("What the time is counted from.", default="1970-01-01T00:00:00Z")
    typical: Decimal | None = key("A usual time, in seconds since the epoch.", default=None)

    kind: ClassVar[str] = "time"
    called: ClassVar[tuple[str, ...]] = (
        "timestamp",
        "date",
        "datetime",
        "unixtime",
        "epoch",
        "clock",
    )
    rank: ClassVar[int] = 120
    about: ClassVar[str] = "A time in seconds since an epoch."
    wire: ClassVar[str] = """\
Steps since the epoch, unsigned."""
    written: ClassVar[str] = """\
kind = "time"
name = "time"
bits = 32
step = 1"""
    referable: ClassVar[bool] = True
    rounds: ClassVar[bool] = True
    dates: ClassVar[bool] = True
    refusing: ClassVar[tuple[str, ...]] = ("bits",)
    decimals: ClassVar[tuple[str, ...]] = ("step", "typical")

    def number(self) -> Number:
        """Return the same field as a plain number of seconds."""
        top = EXACT.multiply(self.step, Decimal((1 << self.bits) - 1))
        return Number(
            self.name, min=Decimal(0), max=top, step=self.step, unit="s", typical=self.typical
        )

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with width, step and the usual time."""
        if not 1 <= self.bits <= MAX_BITS:
            yield Flaw(("bits",), f"{self.bits} is no width", f"Use 1 to {MAX_BITS}")
        elif not is_plain(self.step) or self.step <= 0:
            yield Flaw(("step",), f"a step of {self.step} s leads nowhere", "Use a step above 0")
        else:
            yield from self.number().flaws(order)
        if _LIKE_A_DATE.match(self.epoch) and self.start is None:
            yield Flaw(
                ("epoch",),
                f"{self.epoch[:40]!r} begins like a date and is none",
                f"Write it as {_TODAY} (RFC 3339); words that are no date, such as power-on, may stand there as well",
            )

    def codec(self, width: int, order: Order) -> Codec:
        """Return that of the number; a text that is left is no date, and told so."""
        plain = super(Time, self).codec(width, order)  # noqa: UP008 - slots make the class anew

        def encode(value: Any) -> int:
            if isinstance(value, str):
                hint = f"Give seconds since {self.epoch}, or a date and time as that is written"
                if _moment(value) is not None:
                    raise Misfit(f"is {value[:40]!r}, without an offset from UTC", hint=hint)
                raise Misfit(f"is the text {value[:40]!r}, no time", hint=hint)
            try:
                return plain.encode(value)
            except Misfit as fault:
                last = self.date(self.number().max)
                hint = f"Its times are {self.date(0)} .. {last}" if last else ""
                raise Misfit(fault.message, hint=hint or fault.hint) from None

        return plain._replace(encode=encode)

    @property
    def start(self) -> datetime | None:
        """Return the date and time of the epoch, None where it is no date."""
        return _moment(self.epoch)

    def remark(self, order: Order) -> ask.Remark | None:
        """Return a remark on times that are all past, or soon are: no message that is sent later can hold one."""
        last = self.date(self.number().max) if self.start else ""
        years = float(self.step) * 2**self.bits / _YEAR
        if not last or (last >= _TODAY and years >= 1):
            return None
        longer = "more bits, or a greater step"
        text = f"it ends with {last}: no time of {_TODAY[:4]} or later can be sent"
        if last >= _TODAY:
            text = f"it ends with {last}, {self._years(self.bits)} after its epoch, and no later time can be sent"
        # a later epoch is no help where that one is soon over as well
        if years < _LIFE:
            return ask.Remark(text, longer[0].upper() + longer[1:])
        return ask.Remark(text, f'State a later epoch, epoch = "{_TODAY}", or {longer}')

    def shown_unit(self) -> str:
        """Return seconds."""
        return "s"

    def meaning(self, value: Any, scope: ask.Scope) -> str:
        """Return the date and time."""
        return self.date(value)

    def date(self, seconds: Any) -> str:
        """Return the date and time of some seconds after the epoch, empty where there is no such date."""
        try:
            moment = datetime.fromisoformat(self.epoch) + timedelta(
                microseconds=int(EXACT.multiply(exact(seconds), Decimal(1_000_000)))
            )
        except (ValueError, OverflowError):
            return ""
        return moment.isoformat().replace("+00:00", "Z")

    def taken(self, given: Any, before: ask.Scope, *, table: bool) -> Any:
        """Return the seconds since the epoch, also of a date and time as ``date`` writes it."""
        value = super(Time, self).taken(given, before, table=table)  # noqa: UP008 - slots make the class anew
        if not isinstance(value, str):
            return value
        start, moment = self.start, _moment(value)
        if start is None or moment is None or (start.tzinfo and not moment.tzinfo):
            return value  # no date, or one that may be of any zone
        since = _as_utc(moment) - _as_utc(start)
        return EXACT.divide(Decimal(since // timedelta(microseconds=1)), Decimal(1_000_000))

    def gain(self, less: int) -> ask.Gain:
        """Return the resolution, and how long the number lasts."""
        return ask.Gain(
            f"steps of {digits(self.step)} s, for {self._years(self.bits)} from {self.epoch}",
            f"the same steps for {self._years(less)}" if less else ask.NOTHING,
            self.step,
            EXACT.divide(self.step, Decimal(2)),
        )

    def _years(self, bits: int) -> str:
        seconds = float(self.step) * 2**bits
        return f"{seconds / _YEAR:.3g} years" if seconds > _YEAR else f"{seconds / 86400:.3g} days"

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return an integer of steps."""
        from lowpanbudget.payload.c.scaled import Scaled

        return Scaled(maker, spot, self.number(), about=f" since {self.epoch}")

    def base_time(self) -> Decimal | None:
        """Return the seconds from 1970 to the epoch, None where there is no such date or the time may be absent."""
        if self.optional or self.start is None:
            return None
        try:
            return Decimal(int(_as_utc(self.start).timestamp()))
        except (ValueError, OverflowError):
            return None


def _moment(text: str) -> datetime | None:
    """Return the date and time that a text is, None where it is none."""
    try:
        return datetime.fromisoformat(text.strip())
    except ValueError:
        return None


def _as_utc(moment: datetime) -> datetime:
    """Return a date and time of an epoch: without an offset it is one of UTC, not of the zone where this runs."""
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
