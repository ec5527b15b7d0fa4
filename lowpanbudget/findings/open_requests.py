"""Requests of CoAP from one node to a port of another: which have an answer, and which had their time for one."""

from collections import Counter

from lowpanbudget.capture.recent import Recent
from lowpanbudget.findings.datagrams import CoapHead
from lowpanbudget.findings.memory import Frames
from lowpanbudget.findings.senders import Senders, Station
from lowpanbudget.findings.unheard import answer_may_be_unheard
from lowpanbudget.layers.internet.coap.codes import CoapType, is_response
from lowpanbudget.layers.internet.coap.times import (
    EXCHANGE_LIFETIME_S,
    MAX_TRANSMIT_WAIT_S,
    NON_LIFETIME_S,
)
from lowpanbudget.values import dataclass, field

_MOST_OPEN = 64  # requests of one endpoint to another
_SHOWN = 3  # frames of each kind that are named


# who asks takes a message ID once in EXCHANGE_LIFETIME from each of its ports
_PortAndId = tuple[int, int]


@dataclass(slots=True)
class OpenRequest:
    """A request without an answer so far: by whom and when it was sent first, and in which frame.

    ``quiet``: it asks for no answer, so that an acknowledgement is all that comes. ``over`` are the nodes that frames
    with it go to.
    """

    time_s: float
    number: int
    token: bytes
    link: bytes | None
    confirmable: bool
    quiet: bool
    repeated: int = 0
    acknowledged: bool = False
    over: set[Station] = field(default_factory=set)

    def is_answered_unheard(self, senders: Senders) -> bool:
        """Return whether only the capture lacks an answer: it is sent once, and a node on its way has a hole.

        A confirmable message is sent again until something comes back (RFC 7252 section 4.2).
        """
        if self.repeated or self.acknowledged or not self.confirmable:
            return False
        since = (senders[one] for one in self.over if one in senders)
        return any(
            by.sent > self.number
            and answer_may_be_unheard(self.number, self.time_s, MAX_TRANSMIT_WAIT_S, by)
            for by in since
        )


@dataclass(slots=True)
class RequestFates:
    """How many requests of a kind had their time, of them those with no answer, and of these those sent again.

    ``again`` counts the retransmissions of the latter by link source.
    """

    ended: int = 0
    unanswered: int = 0
    repeated: int = 0
    again: Counter[bytes | None] = field(default_factory=Counter)
    frames: Frames = field(default_factory=Frames)

    def miss(self, request: OpenRequest) -> None:
        """Count a request without an answer."""
        self.unanswered += 1
        self.repeated += bool(request.repeated)
        self.again[request.link] += request.repeated
        if len(self.frames) < _SHOWN:
            self.frames.note(request.number)


@dataclass(slots=True)
class OpenRequests:
    """Requests of a node to one port of another, whatever port of its own it takes for each.

    ``asked`` counts those that are to be confirmed, from ``first_s`` on in ``frames``, and ``answered`` tells that
    something came back for one. ``open`` are those without an answer by port and message ID, ``done`` when others were
    answered, with their tokens, and whether the answer is dropped for its checksum. ``strays`` counts answers that
    belong to none, ``dropped`` requests whose answer is dropped, ``again`` all retransmissions by link source.
    ``over`` are the nodes that frames with them go to; ``unheard`` counts those whose answer the capture missed.
    """

    first_s: float
    asked: int = 0
    answered: bool = False
    frames: Frames = field(default_factory=Frames)
    open: dict[_PortAndId, OpenRequest] = field(default_factory=dict)
    done: Recent[_PortAndId, tuple[float, bytes, bool]] = field(
        default_factory=lambda: Recent(_MOST_OPEN)
    )
    strays: int = 0
    dropped: int = 0
    again: Counter[bytes | None] = field(default_factory=Counter)
    over: set[Station] = field(default_factory=set)
    unheard: int = 0
    confirmed: RequestFates = field(default_factory=RequestFates)
    promised: RequestFates = field(default_factory=RequestFates)  # acknowledged alone
    unconfirmed: RequestFates = field(default_factory=RequestFates)

    @property
    def awaited(self) -> int:
        """Return how many are to be confirmed whose answer, were there one, the capture would hold."""
        return self.asked - self.unheard

    def ask(self, key: _PortAndId, request: OpenRequest, senders: Senders) -> None:
        """Take a request that was not heard before."""
        if request.confirmable:
            if not self.asked:
                self.first_s = request.time_s
            self.asked += 1
            if len(self.frames) < _SHOWN:
                self.frames.note(request.number)
        before = self.open.pop(key, None)
        if before is not None:
            self.settle(before, request.time_s, senders)
        self.open[key] = request
        if len(self.open) > _MOST_OPEN:
            oldest = next(iter(self.open))
            self.settle(self.open.pop(oldest), request.time_s, senders)

    def take(self, port: int, head: CoapHead, time_s: float, *, dropped: bool = False) -> None:
        """Take what comes back: it belongs to a request by its message ID, or by its token (RFC 7252 section 5.3.2)."""
        key = port, head.mid
        if head.type not in {CoapType.ACK, CoapType.RST}:
            if not is_response(head.code):
                return
            for asked, one in self.open.items():
                if asked[0] == port and one.token == head.token:
                    key = asked  # the last of them
        request = self.open.get(key)
        if request is None:
            tokens = (token for _, token, _ in self.done.values())
            self.strays += (
                is_response(head.code) and key not in self.done and head.token not in tokens
            )
            return
        if head.type == CoapType.ACK and not head.code and not request.quiet:
            request.acknowledged = True
            self.answered = True
            return
        del self.open[key]
        self.done[key] = time_s, request.token, dropped
        self.answered |= request.confirmable
        self.dropped += dropped  # what that says of the server, its checksum says
        self._outcome(request).ended += not dropped

    def awaits(self, port: int, head: CoapHead) -> bool:
        """Return whether a message, be it damaged, has message ID and token of a request without an answer."""
        request = self.open.get((port, head.mid))
        return request is not None and head.token == (request.token if head.code else b"")

    def settle(self, request: OpenRequest, now_s: float, senders: Senders) -> None:
        """Count a request without an answer, where there was time for one."""
        wait_s = MAX_TRANSMIT_WAIT_S if request.confirmable else NON_LIFETIME_S
        if request.acknowledged:
            wait_s = EXCHANGE_LIFETIME_S
        if now_s - request.time_s <= wait_s:
            return
        if request.is_answered_unheard(senders):
            self.unheard += 1
        else:
            outcome = self._outcome(request)
            outcome.ended += 1
            (self.promised if request.acknowledged else outcome).miss(request)

    def _outcome(self, request: OpenRequest) -> RequestFates:
        return self.confirmed if request.confirmable else self.unconfirmed
