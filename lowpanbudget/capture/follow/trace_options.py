"""What may be known of a capture beside its frames."""

from collections.abc import Mapping, Sequence
from ipaddress import IPv6Address
from typing import TYPE_CHECKING, Any, TypedDict

from lowpanbudget.layers.internet.dtls.sender import DtlsSender
from lowpanbudget.layers.internet.oscore.context import SecurityContext

if TYPE_CHECKING:
    from lowpanbudget.design.meaning import Design


class TraceOptions(TypedDict, total=False):
    """What may be known of a capture beside its frames: the arguments of ``Trace``."""

    contexts: Mapping[int, Any] | None
    keys: object
    devices: Mapping[Any, Any] | None
    root: IPv6Address | str | None
    rpi_type: int | None
    design: "Design | None"
    fcs: int | None
    timeout_s: float
    node: str | None
    flow: str | None
    since: str | float | None
    until: str | float | None
    oscore: Sequence[SecurityContext]
    dtls: Sequence[DtlsSender]
