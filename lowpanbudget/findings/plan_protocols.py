"""Findings about a design: what application protocols and protection will take."""

from collections.abc import Iterator
from dataclasses import replace

from lowpanbudget.cites import rfc
from lowpanbudget.design.application import NONE, Dtls, Oscore
from lowpanbudget.errors import LowpanError
from lowpanbudget.findings.design_rule import (
    MANY,
    DesignRule,
    Plan,
    about,
    octets_text,
    room_text,
    with_application,
)
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.layers.internet.coap.options import CoapOption
from lowpanbudget.layers.internet.coap.registry import OBSERVE
from lowpanbudget.layers.internet.dtls.suites import SUITES, Suite
from lowpanbudget.room.measure import frames_of, room_of

_BLOCKS = (1024, 512, 256, 128, 64, 32, 16)  # RFC 7959 section 2.2


class ObserveWillGrow(DesignRule):
    """An Observe option is planned shorter than it becomes.

    What it sees: a flow whose CoAP message has an Observe value of fewer than 3 octets, and a message that no longer
    fits its frames with 3.
    Why it costs: notifications work for weeks, and then become a frame longer.
    When it is no fault: a register request, whose Observe is 0 and stays so; a server that restarts its counter.
    Example: Observe grows from 1 to 3 octets: 2 frames instead of 1.
    What to do: Plan with observe = 16777215.
    """

    name = "observe-will-grow"
    severity = Severity.RISK
    cite = rfc(7641, "3.4")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Encode with the greatest value."""
        for one in plan.worst():
            path = plan.path(one)
            message = path.flow.application.coap
            option = (
                None
                if message is None
                else next((o for o in message.options if o.number == OBSERVE), None)
            )
            if message is None or option is None or len(option.octets) > 2 or message.code < 64:
                continue
            others = tuple(o for o in message.options if o is not option)
            grown = replace(message, options=(*others, CoapOption.of("Observe", (1 << 24) - 1)))
            longer = with_application(path, replace(path.flow.application, coap=grown))
            count = frames_of(longer, one.octets)
            if one.frames is not None and (count is None or count > one.frames):
                cause = f"Observe grows from {len(option.octets)} to 3 octets: {count} frames instead of {one.frames}"
                yield Hit(cause, (), about(one))


class BlockSizeToUse(DesignRule):
    """A CoAP message needs blocks, or smaller ones.

    What it sees: a CoAP flow whose message takes more than one frame; the largest block size whose whole message still
    fits one, found by encoding with a Block option.
    Why it costs: the block size counts payload alone: 64-octet blocks with options, token and headers still fragment.
    When it is no fault: fragments are allowed and cheaper than round trips.
    Example: 300 octets do not fit one frame; blocks of 64 octets fit one frame.
    What to do: Set the size that is named; if none fits, shorten options and token first.
    """

    name = "block-size-to-use"
    severity = Severity.REMARK
    cite = rfc(7959, "2.2")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Try block sizes from the largest down."""
        for one in plan.worst():
            path = plan.path(one)
            message = path.flow.application.coap
            if message is None or one.spare >= 0:
                continue
            which = "Block1" if message.code < 32 else "Block2"
            rest = tuple(o for o in message.options if o.name not in {"Block1", "Block2"})
            best = None
            for size in _BLOCKS:
                value = 15 << 4 | 8 | (size.bit_length() - 5)
                blocked = replace(message, options=(*rest, CoapOption.of(which, value)))
                try:
                    if (
                        frames_of(
                            with_application(path, replace(path.flow.application, coap=blocked)),
                            size,
                        )
                        == 1
                    ):
                        best = size
                        break
                except LowpanError:
                    break
            cause = (
                "no block size fits one frame"
                if best is None
                else f"blocks of {best} octets fit one frame"
            )
            yield Hit(f"{octets_text(one.octets)} do not fit one frame; {cause}", (), about(one))


class ProtectionDoesNotFit(DesignRule):
    """A message fits as it is and would not with protection end to end.

    What it sees: a flow without DTLS and OSCORE whose message is one frame, and is more with OSCORE (identifiers of 1
    octet) or with DTLS 1.3 (8-octet tag), both really encoded.
    Why it costs: protection that is added late changes the number of frames, and is then left out.
    When it is no fault: link security on every hop and a border router that is trusted may be what is wanted.
    Example: 105 octets fit 105; with DTLS 1.3 the room is 94.
    What to do: Leave room for it now; the difference is named.
    """

    name = "protection-does-not-fit"
    severity = Severity.REMARK
    cite = rfc(8613, "6")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Encode with stand-in keys."""
        for one in plan.worst():
            path = plan.path(one)
            now = path.flow.application
            if one.spare < 0 or now.oscore is not None or now.dtls is not None:
                continue
            told = []
            tries = [("DTLS 1.3", replace(now, dtls=Dtls(_suite(), sequence=255)))]
            if now.coap is not None:
                tries.insert(
                    0, ("OSCORE", replace(now, oscore=Oscore(b"\x01", b"\x02", sequence=255)))
                )
            for name, protected in tries:
                room = room_of(with_application(path, protected))
                if one.octets > room:
                    told.append(f"with {name} {room_text(room)}")
            if told:
                yield Hit(
                    f"{octets_text(one.octets)} fit {one.room}; {' and '.join(told)}",
                    (),
                    about(one),
                )


def _suite() -> Suite:
    return next(s for s in SUITES.values() if s.version == "1.3" and s.aead.tag == 8)


class HandshakeTakesManyFrames(DesignRule):
    """A handshake takes many frames over many hops.

    What it sees: a flow with DTLS: flights of a handshake with raw public keys have up to 454 octets (a figure of an
    IETF comparison of security protocols); how many frames that is on the hop with the least room.
    Why it costs: all must arrive within a retransmission time-out, over every hop, or the flight is sent again.
    When it is no fault: sessions that are resumed, or keys that are shared in advance, need smaller flights.
    Example: a flight of 454 octets takes 5 frames, 15 transmissions over 3 hops.
    What to do: Use pre-shared keys, connection IDs that keep sessions, fragments of the handshake at the record layer.
    """

    name = "handshake-takes-many-frames"
    severity = Severity.REMARK
    cite = rfc(9147, "5.5")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Count the frames of a flight."""
        for flow in plan.design.flows:
            if flow.application.dtls is None:
                continue
            path = plan.design.paths(replace(flow, application=NONE))[-1]
            count = frames_of(path, 454)
            if count is not None and count > MANY:
                cause = f"a flight of 454 octets takes {count} frames, {count * flow.hops} transmissions"
                yield Hit(cause, (f"{flow.hops} hops",), f"flow {flow.name}")
