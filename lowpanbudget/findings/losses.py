"""Datagrams in fragments: how many were begun, came whole or never did, by hop and by receiver; each counted once."""

from lowpanbudget.capture.follow.templates import Template
from lowpanbudget.capture.recent import Recent
from lowpanbudget.findings.datagrams import numbers_of
from lowpanbudget.findings.meetings import Meetings
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.senders import HeardSender
from lowpanbudget.findings.unheard import Unheard, what_was_missed
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.stack.fragment_key import FragmentKey
from lowpanbudget.stack.pieces import Fate, FragmentArrival, FragmentedDatagram, gaps
from lowpanbudget.values import dataclass, field

_MOST_OPEN = 12  # datagrams of a hop whose frames are named
_MOST_TOLD = 3  # of which it is said what did not come
MOST_SENDERS = 64
_MOST_CUT = 512  # datagrams that are remembered: as many as are followed
_FLOOD = 32  # datagrams that are begun and never go on; our choice
_AT_ONCE = 16  # open at a time, over what any node has buffers for; our choice

Hop = tuple[bytes | None, bytes | None]


@dataclass(slots=True)
class HopLosses:
    """How many datagrams of a hop were begun, ended, came whole, were lost, were given up for room; frames of some.

    ``alone`` have one fragment and nothing behind it, ``alone_lost`` are those of them that were lost or given up;
    ``numbers`` are the first frames of such, ``others`` those of the rest. ``open`` are those that have no end yet, the
    last of them; ``missing`` says what did not come of the first that lack some. ``explained`` are the keys of those
    whose fragments overlap, cannot be placed or are replayed: that has its own finding, and they are not counted here.
    Those of which the capture missed what ``by``, the sender, sent are not counted either, but as ``unheard``:
    ``left_out`` are the last of them. Of the ``unsure`` its next frame tells. ``in_vain`` are frames of the hop that
    were given up, ``unanswered`` those without an acknowledgement; None where nobody knows.
    """

    begun: int = 0
    ended: int = 0
    whole: int = 0
    lost: int = 0
    given_up: int = 0
    alone: int = 0
    alone_lost: int = 0
    numbers: Frames = field(default_factory=Frames)
    others: Frames = field(default_factory=Frames)
    missing: list[str] = field(default_factory=list)
    open: Recent[FragmentKey, FragmentedDatagram] = field(
        default_factory=lambda: Recent(_MOST_OPEN)
    )
    explained: Recent[FragmentKey, bool] = field(default_factory=lambda: Recent(_MOST_OPEN))
    meetings: Meetings = field(default_factory=Meetings)
    by: HeardSender | None = None
    pan: int | None = None
    unheard: int = 0
    left_out: Recent[FragmentKey, bool] = field(default_factory=lambda: Recent(_MOST_OPEN))
    unsure: Recent[FragmentKey, FragmentedDatagram] = field(
        default_factory=lambda: Recent(_MOST_OPEN)
    )
    in_vain: frozenset[int] | None = None
    unanswered: frozenset[int] | None = None

    def take(self, arrival: FragmentArrival) -> None:
        """Count a datagram that begins with a fragment, and see whether there is more than the first."""
        fragment, datagram, _ = arrival
        if self.unsure:
            self._look_again()
        if datagram.key in self.explained or datagram.is_rest:
            return
        count = len(datagram.fragments)
        if datagram.resumed is fragment:
            self._resume(datagram)
        if count == 1 or (datagram.follows and fragment.first):
            self.begun += 1
            self.alone += count == 1
            self.open[datagram.key] = datagram
        elif count == 2:
            self.alone -= 1

    def _resume(self, datagram: FragmentedDatagram) -> None:
        """Take back what was told of one that expired: it goes on."""
        was_alone = len(datagram.fragments) == 2  # before the one that came now
        self.unsure.pop(datagram.key, None)
        if self.left_out.pop(datagram.key, False):
            self.unheard -= 1
            self.begun += 1
            self.alone += was_alone
        else:
            self._take_back(datagram, was_alone=was_alone)
            self.meetings.resume(datagram)
        self.open[datagram.key] = datagram

    def _take_back(self, datagram: FragmentedDatagram, *, was_alone: bool) -> None:
        """Take back that one was lost."""
        self.ended -= 1
        self.lost -= 1
        self.alone_lost -= was_alone
        frames = self.numbers if was_alone else self.others
        frames.forget(*numbers_of(datagram)[:1])
        self.missing = [one for one in self.missing if not one.startswith(f"{datagram}: ")]

    def leave_out(self, datagram: FragmentedDatagram) -> None:
        """Do not count a datagram: another finding says what became of it."""
        self.begun -= 1
        self.alone -= _is_alone(datagram)
        self.open.pop(datagram.key, None)

    def _may_be_missed(self, missed: Unheard) -> bool:
        """Return whether the capture missed what a datagram lacks, or may have, where it missed others of its sender.

        Behind the last frame of a sender no number tells.
        """
        is_open = missed is Unheard.OPEN and self.by is not None and self.by.holes is not None
        return is_open or missed is Unheard.ALL

    def _look_again(self, *, is_end: bool = False) -> None:
        """See whether the sender has gone on since one was lost, and with which number."""
        for key, datagram in list(self.unsure.items()):
            missed = what_was_missed(datagram, self.by)
            if missed is not Unheard.OPEN:
                del self.unsure[key]
            if missed is Unheard.ALL or (is_end and self._may_be_missed(missed)):
                self._take_back(datagram, was_alone=_is_alone(datagram))
                self.meetings.resume(datagram)
                self._miss(datagram)

    def _miss(self, datagram: FragmentedDatagram) -> None:
        """Leave out a datagram whose other fragments the capture missed."""
        self.leave_out(datagram)
        self.unheard += 1
        self.left_out[datagram.key] = True

    def explain(self, datagram: FragmentedDatagram) -> None:
        """Leave out a datagram, and what follows under its key."""
        self.leave_out(datagram)
        self.explained[datagram.key] = True

    def end(self, datagram: FragmentedDatagram) -> None:
        """Count what became of a datagram."""
        if datagram.is_rest:
            return
        fate, alone = datagram.fate, _is_alone(datagram)
        is_explained = self.explained.pop(datagram.key, False)
        if datagram.is_copy:
            if not is_explained:
                self.leave_out(datagram)
            return
        if is_explained:
            return
        if fate is Fate.REPLACED:
            self.leave_out(datagram)
            return
        if fate is Fate.OVERLAPPING:
            self.explain(datagram)
            return
        missed = what_was_missed(datagram, self.by) if fate is Fate.EXPIRED else Unheard.NOTHING
        if missed is Unheard.ALL:
            self._miss(datagram)
            return
        if missed is Unheard.OPEN:
            self.unsure[datagram.key] = datagram
        self.ended += 1
        self.open.pop(datagram.key, None)
        if fate is Fate.WHOLE:
            self.whole += 1
            self.alone -= alone
            return
        self.lost += fate is Fate.EXPIRED
        self.given_up += fate is Fate.GIVEN_UP
        self.alone_lost += alone
        self._name(datagram)

    def leave_out_what_is_none(self) -> None:
        """Do not count those still open that are late copies of one that was whole, nor what the capture missed."""
        self._look_again(is_end=True)
        for datagram in list(self.open.values()):
            if datagram.is_copy:
                self.leave_out(datagram)
            elif self._may_be_missed(what_was_missed(datagram, self.by)):
                self._miss(datagram)

    def name_open(self) -> None:
        """Name the frames of those that are open when the capture ends."""
        for datagram in self.open.values():
            self._name(datagram)

    def _name(self, datagram: FragmentedDatagram) -> None:
        frames = self.numbers if _is_alone(datagram) else self.others
        frames.note(*numbers_of(datagram)[:1])
        told = len(self.missing) < _MOST_TOLD and not datagram.begins_unread
        if told and not _is_alone(datagram):
            parts = ((part.start, part.end) for part in datagram.fragments)
            left = ", ".join(f"{start}-{end - 1}" for start, end in gaps(parts, datagram.size))
            self.missing.append(f"{datagram}: octets {left} did not come")


def _is_alone(datagram: FragmentedDatagram) -> bool:
    return len(datagram.fragments) == 1


@dataclass(slots=True)
class ReceiverLosses:
    """Datagrams that a receiver is sent in fragments, and by whom.

    Of those ``begun`` the ``alone`` have one fragment and nothing behind it; ``most`` were open at once, ``given_up``
    for room. ``numbers`` are their first frames.
    """

    begun: int = 0
    alone: int = 0
    most: int = 0
    given_up: int = 0
    first_s: float = 0.0
    last_s: float = 0.0
    senders: set[bytes | None] = field(default_factory=set)
    numbers: Frames = field(default_factory=Frames)

    def take(self, arrival: FragmentArrival) -> None:
        """Count a datagram that begins with a fragment, and see whether there is more than the first."""
        fragment, datagram, _ = arrival
        count = len(datagram.fragments)
        if count > 1:
            before = datagram.fragments[0]
            self.alone -= count == 2 and (before.first or not datagram.follows)
            return
        if datagram.is_rest:
            return
        self.first_s = self.first_s if self.begun else fragment.time_s
        self.last_s = fragment.time_s
        self.begun += 1
        self.alone += datagram.fate is Fate.OPEN
        self.most = max(self.most, datagram.beside)
        self.numbers.note(fragment.mark.number)
        if len(self.senders) < MOST_SENDERS:
            self.senders.add(datagram.key.source)

    def leave_out(self, datagram: FragmentedDatagram) -> None:
        """Do not count a datagram that is open."""
        self.begun -= 1
        self.alone -= _is_alone(datagram)

    def end(self, datagram: FragmentedDatagram) -> None:
        """Count what became of a datagram."""
        self.given_up += datagram.fate is Fate.GIVEN_UP and not datagram.is_rest

    @property
    def is_flood(self) -> bool:
        """Return whether most of what comes is begun and never goes on, and more at once than a node can hold."""
        many = self.alone >= _FLOOD and self.most >= _AT_ONCE
        return many and self.alone * 2 >= self.begun


@dataclass(slots=True)
class Losses:
    """What became of datagrams in fragments, by hop and by receiver; those ``cut_short`` are counted nowhere."""

    hops: FirstNamed[Hop, HopLosses] = field(default_factory=FirstNamed)
    receivers: FirstNamed[bytes | None, ReceiverLosses] = field(default_factory=FirstNamed)
    cut_short: Recent[FragmentKey, bool] = field(default_factory=lambda: Recent(_MOST_CUT))

    def cut(self, template: Template | None) -> None:
        """Leave out the datagram of a frame of which the capture kept the front alone: what became of it nobody knows.

        Of a fragment that front has size and tag (RFC 4944 section 5.3).
        """
        fragment = None if template is None else template.fragment
        if template is None or not isinstance(fragment, Fragment):
            return
        key = FragmentKey.of(template.example, fragment)
        hop = self.hops.get((key.source, key.destination))
        receiver = self.receivers.get(key.destination)
        datagram = None if hop is None else hop.open.get(key)
        if hop is not None and datagram is not None:
            hop.leave_out(datagram)
            if receiver is not None:
                receiver.leave_out(datagram)
        self.cut_short[key] = True

    def take(self, arrival: FragmentArrival, by: HeardSender | None) -> None:
        """Take a fragment, and what is noted of its sender."""
        if arrival.repeated:
            return
        key = arrival.datagram.key
        if arrival.fragment.first and len(arrival.datagram.fragments) == 1:
            self.cut_short.pop(key, None)  # another one under the tag
        elif key in self.cut_short:
            return
        hop = self.hops.entry((key.source, key.destination), HopLosses)
        receiver = self.receivers.entry(key.destination, ReceiverLosses)
        if hop is not None:
            hop.by, hop.pan = by or hop.by, key.pan
            hop.take(arrival)
        if receiver is not None:
            receiver.take(arrival)

    def end(self, datagram: FragmentedDatagram) -> None:
        """Take what became of a datagram."""
        key = datagram.key
        if key in self.cut_short:
            return
        hop = self.hops.get((key.source, key.destination))
        receiver = self.receivers.get(key.destination)
        if hop is not None:
            is_told_otherwise = datagram.key in hop.explained
            hop.end(datagram)
            if not (is_told_otherwise or datagram.is_rest or datagram.key in hop.left_out):
                hop.meetings.end(datagram)
        if receiver is not None:
            receiver.end(datagram)

    def explain(self, hop: Hop, tag: int | None) -> None:
        """Leave out the datagrams of a hop with a fragment, of this tag, that cannot be placed."""
        losses = self.hops.get(hop)
        for datagram in [] if losses is None else list(losses.open.values()):
            if losses is not None and datagram.key.tag == tag:
                losses.explain(datagram)

    def is_flooded(self, receiver: bytes | None) -> bool:
        """Return whether a receiver is flooded with datagrams that are begun and never go on."""
        losses = self.receivers.get(receiver)
        return losses is not None and losses.is_flood
