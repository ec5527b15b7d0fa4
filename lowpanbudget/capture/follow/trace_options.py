"""What may be known of a capture beside its frames."""

from collections.abc import Mapping, Sequence
from ipaddress import IPv6Address
from typing import TYPE_CHECKING, Any, TypedDict

from lowpanbudget.design.spelling import meant
from lowpanbudget.layers.internet.dtls.sender import DtlsSender
from lowpanbudget.layers.internet.oscore.context import SecurityContext
from lowpanbudget.layers.link.security import keys_of

if TYPE_CHECKING:
    from lowpanbudget.design.meaning import Design


class TraceOptions(TypedDict, total=False):
    """What may be known of a capture beside its frames: the keywords of ``follow``, which tells of each.

    A function that hands them on takes ``**known: Unpack[TraceOptions]``.
    """

    contexts: Mapping[int, Any] | None
    keys: object
    devices: Mapping[Any, Any] | None
    root: IPv6Address | str | None
    rpi_type: int | None
    design: "Design | None"
    fcs: int | None
    timeout_s: float
    node: str | int | None
    flow: str | int | None
    since: str | float | None
    until: str | float | None
    pan: str | int | None
    oscore: Sequence[SecurityContext]
    dtls: Sequence[DtlsSender]


def check_known(known: TraceOptions, function: str) -> None:
    """Make keys that were given as octets or hex ``Key`` objects, which no traceback shows; ``RequestError``.

    Raises ``TypeError`` in the name of the public ``function`` for what is no argument of it.
    """
    for name in known:
        if name not in _NAMES:
            other = _OF_COMMANDS.get(name)
            hint = f"Did you mean {other}?" if other else meant(name, _NAMES)
            hint = hint or f"What is known goes by {', '.join(_NAMES)}"
            raise TypeError(f"{function}() has no argument {name!r}. {hint}")
    if "keys" in known:
        known["keys"] = keys_of(known["keys"])


_NAMES = tuple(TraceOptions.__annotations__)
_OF_COMMANDS = {"wait": "timeout_s"}  # options of commands that have another name here
