"""What a capture shows of a network: flows, links, nodes and a burst, each number with how sure it is."""

from collections.abc import Mapping
from enum import Enum

from lowpanbudget.capture.files.record import ReadingNotice
from lowpanbudget.capture.follow.clock import ClockLeap, ClockPutBack
from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.follow.receivers import Reception
from lowpanbudget.deployment.confidence import MeasuredShare, Spread
from lowpanbudget.deployment.numbering import NumberedAnew, OldMessage
from lowpanbudget.deployment.on_the_way import LostOnLink, RelayWait, lost_together
from lowpanbudget.deployment.rhythm import RhythmPart
from lowpanbudget.shown import LINK_ADDRESS
from lowpanbudget.values import dataclass, field


class PlanVerdict(Enum):
    """What a measured number says of a planned one: as planned, outside of it, or too little to say."""

    WITHIN = "within"
    OUTSIDE = "outside"
    OPEN = "open"


class PlanNumber(Enum):
    """Which number of a plan was looked at."""

    INTERVAL = "interval"
    HOPS = "hops"
    DELIVERY = "delivery"
    LATENCY = "latency"
    TRIES = "tries"
    LOSS = "loss"
    DUTY_CYCLE = "duty-cycle"
    TRANSMISSION = "transmission"
    BURST = "burst"
    FORMAT = "format"
    PROTECTION = "protection"


@dataclass(frozen=True, slots=True)
class PlanCheck:
    """One number of the plan beside what was seen: ``what`` of which ``subject``, both in ``unit``, and why.

    ``planned`` and ``seen`` are numbers (None: nothing was seen of it), ``why`` a sentence.
    """

    what: PlanNumber
    subject: str
    planned: float
    seen: float | None
    unit: str
    verdict: PlanVerdict
    why: str


@dataclass(frozen=True, slots=True)
class MeasuredFlow:
    """Messages of one sender to one receiver, each datagram counted once however many links it crossed.

    ``name`` and ``message`` are the design's, None outside of it, as is whether it goes ``down`` the tree.
    ``datagrams`` were heard, of ``octets`` application octets at most; ``again`` were said twice. ``sent`` counts by
    the message's own number, from the first heard to the last, over ``restarts`` of the sender; None where the message
    has none. ``heard`` is the share of these that was heard on any link; ``arrived`` what came to the end of its way,
    of those sent, or without own numbers of those heard on their first link. Shares leave out the first and the last of
    a count, which are heard in any case. ``perhaps`` so many more arrived, which the upper ends of that share
    count: their last frame was not acknowledged as far as heard here but not tried again either, or frames of their
    nodes were missed here. ``unsent`` never came on the
    air: their numbers are missing, and those of their sender's frames are not.

    ``interval`` is the time in seconds between messages that follow each other, ``from_origin`` where it was taken on
    the first link. ``hops`` counts datagrams by the links of their way; ``hops_assumed``: the first hop limit is a
    guess. ``took`` are the seconds from the first bit on the first link to the last bit on the last (to the first bit
    of that frame without the PHY of a design), ``in_time`` the share that keeps the latency of the design's limits,
    ``dated`` the seconds from the time that the message gives for itself, which has steps of ``dated_step_s``.

    ``unread`` of its datagrams are read by no format of the flow, most of them for the reason ``unread_why``;
    ``unprotected`` go without the protection from end to end that is planned for them, ``unprotected_by``, in the
    clear, and ``otherwise`` under another one than is planned, ``otherwise_by``. One that
    was heard where the own number of a message is missing counts as that message, as does one of those ``stopped``:
    not all of their frames came, and they arrived only where their receiver said so. ``uncounted`` numbers are missing
    where the receiver of the capture heard nobody, or where the frame numbers of the sender leap: they are not among
    those ``sent``. ``rhythm`` are parts of the time with their own interval, since the first message, without times in
    which messages may have been missed here; the last may be the silence behind the last message. The first and the
    last begin in the frames ``first_number`` and ``last_number``; ``anew`` are the first messages behind restarts,
    ``old`` those that came again long after. ``run_out`` so many were heard last on their way to a node that must
    discard them, with a hop limit or hops left that end there (RFC 8200 section 3, RFC 4944 section 5.2), ``sum_wrong``
    have a wrong UDP checksum as read here, which receivers drop (RFC 8200 section 8.1): neither arrived. The own number
    of messages that differ was ``stuck_at`` one, of ``stuck`` in a row; None of a count that counts. So many were said
    ``twice`` or more often though the first was acknowledged, ``twice_after_s`` seconds later in the middle; the first
    of them again in the frames ``twice_numbers``. ``waits`` are the nodes on the way that sent it on, by link address,
    with the median of the seconds between its last bit there and its first bit from there on; the longest first.
    ``lost`` are the links on which those were heard last that did not arrive, the most first; ``at_end`` so many were
    heard on their last link.
    """

    name: str | None
    message: str | None
    flow: FlowKey
    down: bool
    datagrams: int
    octets: int
    again: int
    sent: int | None
    heard: MeasuredShare | None
    arrived: MeasuredShare | None
    perhaps: int
    unsent: int
    restarts: int
    interval: Spread | None
    from_origin: bool
    hops: Mapping[int, int]
    hops_assumed: bool
    took: Spread | None
    in_time: MeasuredShare | None
    dated: Spread | None
    dated_step_s: float | None
    unread: int = 0
    unread_why: str = ""
    unprotected: int = 0
    unprotected_by: str = ""
    otherwise: int = 0
    otherwise_by: str = ""
    stopped: int = 0
    uncounted: int = 0
    rhythm: tuple[RhythmPart, ...] = ()
    first_number: int = 0
    last_number: int = 0
    anew: tuple[NumberedAnew, ...] = ()
    old: tuple[OldMessage, ...] = ()
    run_out: int = 0
    sum_wrong: int = 0
    stuck: int = 0
    stuck_at: int | None = None
    twice: int = 0
    twice_after_s: float | None = None
    twice_numbers: tuple[int, ...] = ()
    waits: tuple[RelayWait, ...] = ()
    lost: tuple[LostOnLink, ...] = ()
    at_end: int = 0

    @property
    def dropped(self) -> str:
        """Return why some of them cannot arrive, in words; nothing of most."""
        told = []
        if self.run_out:
            told.append(f"{self.run_out} whose hops end on the way")
        if self.sum_wrong:
            told.append(f"{self.sum_wrong} with a wrong checksum, which receivers drop")
        return " and ".join(told)

    @property
    def title(self) -> str:
        """Return what it is called: the design's name of the message or the flow, and its node; else both ends."""
        if self.name is None:
            return str(self.flow)
        end = f"to {self.flow.destination}" if self.down else f"from {self.flow.source}"
        unread = " (not read)" if self.message is None and self.unread else ""
        return f"{self.message or self.name}{unread} {end}"


@dataclass(frozen=True, slots=True)
class MeasuredLink:
    """Frames from one node to a neighbour: each counted once, and the tries that they took.

    ``answered`` is the share of tries that were acknowledged, as heard here; None where the receiver's acknowledgements
    are not heard, unless each of five frames or more was tried as often as one may be. ``once`` is the share of frames
    that were sent a single time. ``octets`` is the mean length of a frame, ``answer_octets`` that of the longest
    acknowledgement. ``unanswered`` frames were never acknowledged: tried as often as one may be, or refused. ``sender``
    and ``receiver`` are the addresses that frames carry.

    ``ended`` is the share of tries that were acknowledged and not sent again: what the sender knows of, wherever the
    capture was heard. ``perhaps`` as many more ended so, which its upper ends count: their sender stopped before
    its tries were used up, or as many acknowledgements of last tries were missed as of others.
    ``refused`` tries were answered as received and not accepted, and are not among those acknowledged.
    """

    sender: bytes = field(metadata=LINK_ADDRESS)
    receiver: bytes = field(metadata=LINK_ADDRESS)
    frames: int
    octets: float
    tries: int
    most_tries: int
    once: MeasuredShare
    answered: MeasuredShare | None
    unanswered: int | None
    ended: MeasuredShare | None
    answer_octets: int
    perhaps: int
    refused: int = 0


@dataclass(frozen=True, slots=True)
class MeasuredNode:
    """What a node put on the air, as far as it was heard: frames, acknowledgements, octets, and the time they took.

    ``node`` is the address that its frames carry, ``other`` its other one where that is known. ``on_air_s`` and
    ``duty_cycle`` (a share of the capture's time, but for that in which nobody listened) are None without the PHY of a
    design; ``worst`` is the share of the worst window of the design's limits, None where the capture is shorter.
    ``missing`` numbers of the node's own frames were not heard here, of ``numbers`` in all.
    """

    node: bytes = field(metadata=LINK_ADDRESS)
    frames: int
    acknowledgements: int
    octets: int
    on_air_s: float | None
    longest_s: float | None
    duty_cycle: float | None
    worst: float | None
    missing: int
    numbers: int
    other: bytes | None = field(default=None, metadata=LINK_ADDRESS)


@dataclass(frozen=True, slots=True)
class MeasuredRecovery:
    """Datagrams in recoverable fragments (RFC 8931), counted on each of their links: ``begun`` is how many there are.

    The receiver ``acknowledged`` so many as whole, and ``aborted`` others; of those acknowledged so many were
    ``not_heard`` whole here: they arrived, whatever they were.
    """

    begun: int
    acknowledged: int
    aborted: int
    not_heard: int


@dataclass(frozen=True, slots=True)
class MeasuredBurst:
    """How a burst of the design came in.

    ``packets`` were planned, one ``every_s`` seconds, all to be in after ``all_in_s``; ``seen`` of them were heard on
    any link and ``arrived`` at the end of their way, ``perhaps`` so many more as in a flow. ``began_s`` is when the
    first was heard, from the first frame of the capture; ``arrivals_s`` are seconds from then to each arrival, in
    order. ``every`` is the time between two on the air, which their cells and tries may hold up. ``missing`` are places
    in the burst, from 1, that were not heard. ``due`` packets fell into the time of the capture, which may begin behind
    the first or end before the last: of others nothing is known.
    """

    name: str
    flow: str
    source: str
    packets: int
    every_s: float
    all_in_s: float | None
    seen: int
    arrived: MeasuredShare
    perhaps: int
    began_s: float | None
    every: Spread | None
    arrivals_s: tuple[float, ...]
    took: Spread | None
    missing: tuple[int, ...]
    due: int

    def in_by(self, seconds: float) -> int:
        """Return how many had arrived so many seconds after the first was sent."""
        return sum(1 for at in self.arrivals_s if at <= seconds)


@dataclass(frozen=True, slots=True)
class ReportsTogether:
    """Reports of one flow that several ``senders`` began within ``within_s`` seconds of another's.

    ``together`` of ``reports`` did; ``by_chance`` is the share that would, were no sender in step with another.
    """

    flow: str
    senders: int
    reports: int
    together: int
    within_s: float
    by_chance: float


@dataclass(frozen=True, slots=True)
class Measurement:
    """What a capture of ``frames`` frames in ``seconds`` shows, beside a plan where a design states one.

    ``together`` are flows whose senders report at nearly the same times. ``checks`` compare it with the design;
    ``unknown`` are sentences about what such a capture cannot tell. ``outside`` frames were not asked for.
    ``receptions`` are what each of several receivers heard: nothing is counted twice. ``put_back`` tells where the
    times of the capture go back; ``seconds`` are from the earliest to the latest. ``without_header`` frames have no MAC
    header that can be read; ``has_plan``: a design was there to compare with. ``recovery`` is None without fragments
    that are acknowledged. ``leap`` tells where its times leap by years: what is on the other side is left out.
    By less it is taken out of the times, and of ``seconds``.
    ``networks`` are the PANs that frames name: the first is the one that is shown, the design's where there is one.
    """

    frames: int
    seconds: float | None
    flows: tuple[MeasuredFlow, ...] = ()
    links: tuple[MeasuredLink, ...] = ()
    nodes: tuple[MeasuredNode, ...] = ()
    burst: MeasuredBurst | None = None
    together: tuple[ReportsTogether, ...] = ()
    checks: tuple[PlanCheck, ...] = ()
    unknown: tuple[str, ...] = ()
    receptions: tuple[Reception, ...] = ()
    notices: tuple[ReadingNotice, ...] = ()
    outside: int = 0
    put_back: ClockPutBack | None = None
    without_header: int = 0
    has_plan: bool = False
    recovery: MeasuredRecovery | None = None
    leap: ClockLeap | None = None
    networks: tuple[int, ...] = ()

    @property
    def lost(self) -> tuple[LostOnLink, ...]:
        """Return the links where messages of all flows were heard last that did not arrive, the most first."""
        return tuple(lost_together([flow.lost for flow in self.flows]))

    @property
    def is_empty(self) -> bool:
        """Return whether nothing could be measured: there is no frame, or none with a MAC header that can be read."""
        return self.without_header >= self.frames

    @property
    def is_outside(self) -> bool:
        """Return whether something is outside of the plan."""
        return any(one.verdict is PlanVerdict.OUTSIDE for one in self.checks)
