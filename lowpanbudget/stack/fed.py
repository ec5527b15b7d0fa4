"""What a reassembler is fed with: frames that were decoded, and their times."""

from sys import float_info

from lowpanbudget.arguments import is_quantity
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.layers.lowpan.fragment import CITE

_LATEST = float_info.max  # whole numbers above cannot be added to times


def no_frame(frame: object) -> RequestError:
    """Return the error for what is no frame."""
    text = f"a frame from decode_frame is needed, not {type(frame).__name__}"
    return RequestError(text, cite=CITE)


def check_time(time_s: float) -> None:
    """Raise ``RequestError`` for what is no time."""
    if not is_quantity(time_s) or not abs(time_s) <= _LATEST:
        raise RequestError(f"time_s {repeated(time_s)} is no number of seconds", cite=CITE)
