"""Messages of a source that cannot be read as designed, beside those that can: what all of them say together."""

from collections import deque
from decimal import Decimal
from statistics import median
from typing import NamedTuple

from lowpanbudget.capture.recent import Recent
from lowpanbudget.errors import WireError, plural
from lowpanbudget.findings.formats import FormatVariant, variants, widened
from lowpanbudget.payload.exact import digits
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.message import Message
from lowpanbudget.values import dataclass, field

_MOST_KEPT = 16  # messages of each kind
_SCALES = (1000, 100, 10)
_ABOUT = 0.1  # so far from a scale still is that, for the value itself changes as well; our choice
_OTHER_FORMAT = (
    "Bring node and design together. While nodes send another version as well, write that as a message of its own, and "
    "name both in the messages of the flow."
)
_OTHER_VALUES = (
    "Look for what changed there: the sensor or its calibration, the unit or the scale that the node sends in. If such "
    "values are right, widen the range in format, node and receiver together."
)
_TURNED = (
    "Let the node put the first octet of the format on the air first: it may write the message as one number, from its "
    "end in memory. Code that lowpanbudget generate writes has the order of the format."
)


class OddReading(NamedTuple):
    """Why messages cannot be read as designed, and what to do where that is not the usual."""

    cause: str
    advice: str = ""


def failure_of(message: Message, data: bytes) -> str:
    """Return why a message cannot be read; nothing when it can."""
    try:
        message.unpack(data)
    except WireError as error:
        return error.message
    return ""


def _kept() -> deque[bytes]:
    return deque(maxlen=_MOST_KEPT)


@dataclass(slots=True)
class OddMessages:
    """The messages of a source that may have one of these formats: the last ``odd`` ones, and those that are ``right``.

    So many were right ``before`` the first odd one, which was frame ``since``, and so many ``later``; what comes twice
    in a row, as on the next hop, is one message. ``left`` are other formats that read every odd message so far.
    """

    formats: tuple[Message, ...]
    left: list[FormatVariant] = field(default_factory=list)
    odd: deque[bytes] = field(default_factory=_kept)
    right: deque[bytes] = field(default_factory=_kept)
    before: int = 0
    later: int = 0
    since: int = 0

    def take_right(self, data: bytes) -> None:
        """Take a message that is read as designed."""
        if self.right and self.right[-1] == data:
            return
        self.right.append(data)
        if self.since:
            self.later += 1
        else:
            self.before += 1

    def take_odd(self, data: bytes, number: int) -> None:
        """Take one that is not, of a frame."""
        if not self.since:
            self.since = number
            self.left = [one for message in self.formats for one in variants(message)]
        self.odd.append(data)
        self.left = [one for one in self.left if one.explains(data)]

    def reading(self) -> OddReading:
        """Return what all that came so far says: a format that reads every message, or a number out of its range.

        Another format that cannot read what was right would be one for some messages, and another for others.
        """
        for one in self.left:
            if len({*self.odd}) >= one.least and all(map(one.reads, self.right)):
                name = one.message.name
                cause = f"{name} cannot be read as designed; it can when {one.text}"
                return OddReading(cause, _TURNED if one.turned else "")
        message = self.formats[0]
        beyond, advice = self._beyond(message), _OTHER_VALUES
        if not beyond:
            beyond, advice = failure_of(message, self.odd[0]), _OTHER_FORMAT
        cause = f"{message.name} cannot be read as designed: {beyond}"
        if self.before:
            were = plural(self.before, "message")
            more = f", {self.later} more since then" if self.later else ""
            cause += f"; it began with frame {self.since}, and {were} before could be read{more}"
        return OddReading(cause, advice)

    def _beyond(self, message: Message) -> str:
        """Return the one number that is out of its range in all odd messages, and that range; nothing of any other."""
        for number, wide in widened(message):
            if any(failure_of(wide, data) for data in self.odd):
                continue
            values = [Decimal(wide.unpack(data)[number.name]) for data in self.odd]
            unit = f" {number.unit}" if number.unit else ""
            low, high = digits(min(values)), digits(max(values))
            seen = low if low == high else f"{low} to {high}"
            allowed = f"{digits(number.min)} to {digits(number.max)}"
            return f"{number.name} is {seen}{unit}{self._scale(message, number, values)}, its range is {allowed}{unit}"
        return ""

    def _scale(self, message: Message, number: Number, values: list[Decimal]) -> str:
        """Return the power of ten by which values differ from those before, as words; nothing of another."""
        before = [message.unpack(data)[number.name] for data in self.right]
        usual = [Decimal(one) for one in before if not isinstance(one, str)]  # a name is no value
        if self.later or not usual or not median(usual):
            return ""
        times = float(median(values) / median(usual))
        scale = next((one for one in _SCALES if abs(times / one - 1) <= _ABOUT), 0)
        return f" (about {scale} times what it was)" if scale else ""


# by source and the names of the formats
OddOfSources = Recent[tuple[int, tuple[str, ...]], OddMessages]
