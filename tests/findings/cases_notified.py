"""Sealed notifications in another order than that of their numbers, and near misses."""

from collections.abc import Callable
from dataclasses import replace

from findings import air
from findings.air import Capture
from findings.cases_answers import SERVER
from findings.cases_application import ENDS, messages
from findings.cases_further import Further
from findings.judge import Told

from lowpanbudget import open_oscore_request, protect_oscore_request, protect_oscore_response


def sealed_notified(
    *sent: tuple[int | None, int], keys: bool = True, mids: bytes = b"\1\2\3", every: float = 10.0
) -> Capture:
    """Notifications under these Partial IVs, and with these numbers in the Observe option outside.

    Inside it is empty, as it MUST be (RFC 8613 section 4.1.3.5.2). The registration has option 6 without octets, 0.
    """
    request = air.coap_message(b"\x60\x51a", code=1, kind=1, mid=9, token=b"t")
    asked = protect_oscore_request(request, ENDS, sequence=3).message
    server = ENDS.other_end
    binding = open_oscore_request(bytes(asked), server).binding
    answers = []
    for mid, (sequence, number) in zip(mids, sent, strict=False):
        value = number.to_bytes(-(-number.bit_length() // 8), "big")
        message = air.coap_message(bytes([0x60 | len(value)]) + value, b"20", 1, 69, mid, b"t")
        answers.append(
            bytes(protect_oscore_response(message, server, binding, sequence=sequence).message)
        )
    back = messages(*answers, at=2.0, every=every, back=True)
    whole = Capture([*messages(bytes(asked)).air, *back.air], oscore=(ENDS,))
    return whole if keys else replace(whole, oscore=())


NOT_RAISED = Told(
    "failure",
    SERVER,
    "notifications do not have higher numbers than those before (Partial IV)",
    ("frame 2: 61; frame 3: 40",),
    (2, 3),
    advice="Keep the Sender Sequence Number where no restart loses it, and let it never go "
    "back (RFC 8613 section 7.5). "
    "What the Observe option says outside counts for nobody.",
    cite="RFC 8613 §4.1.3.5.2",
)
NOTIFIED_FURTHER = tuple(
    Further("observe-number-not-raised", fires, NOT_RAISED)
    for fires in (
        lambda: sealed_notified((61, 7), (40, 8), (63, 9)),
        lambda: sealed_notified((61, 7), (40, 8), (63, 9), keys=False),
        lambda: sealed_notified((61, 7), (40, 8), every=300.0),
    )
)

NOTIFIED_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    # RFC 8613 section 4.1.3.5.2: "SHALL ignore the Outer Observe option value"; the first may have no Partial IV
    "sealed notifications in the order of their Partial IVs": (
        "observe-number-not-raised",
        lambda: sealed_notified((None, 9), (4, 5), (5, 5)),
    ),
    "sealed notifications in their order, before those without keys": (
        "observe-number-not-raised",
        lambda: sealed_notified((None, 9), (4, 5), (5, 5), keys=False),
    ),
    "a sealed notification that is sent again": (
        "observe-number-not-raised",
        lambda: sealed_notified((5, 5), (5, 5), mids=b"\1\1"),
    ),
    "Partial IVs of whom new keys may be, as nobody opens them": (
        "observe-number-not-raised",
        lambda: sealed_notified((61, 7), (40, 8), keys=False, every=129.0),
    ),
}
