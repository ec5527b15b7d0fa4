"""The datagrams in fragments that senders have sent so far: which one a fragment belongs to, and what became of it."""

from collections import OrderedDict, deque
from itertools import islice
from math import inf

from lowpanbudget.stack.fragment_key import RECEIVER, FragmentKey, KeyFields
from lowpanbudget.stack.pieces import Fate, FragmentArrival, FragmentedDatagram, SentFragment

IN_PROGRESS_S = 5.0  # after a fragment its datagram is still being sent; our choice
MANY = 8  # datagrams at one receiver: how many more there are makes no difference
_OLDEST = 16  # datagrams that are looked at for one that may go
# more of it may still come; behind an overlap "a fresh reassembly may be commenced" (RFC 4944 section 5.3)
_BROKEN_OFF = {Fate.REPLACED, Fate.GIVEN_UP}


class SentDatagrams:
    """The last ``most`` datagrams in fragments that were sent; the one silent for longest is given up for another.

    One that expired may go on within ``late_s`` of its last fragment: a slow sender, no new datagram. A first fragment
    that a whole one brought is a copy within ``copied_s`` of the last: tags count up (RFC 4944 section 5.3).
    """

    def __init__(self, most: int, late_s: float = 0.0, copied_s: float = 0.0) -> None:
        self.most = most
        self._late_s, self._copied_s = late_s, copied_s
        self._late: OrderedDict[KeyFields, FragmentedDatagram] = OrderedDict()
        self._given_up = deque[FragmentedDatagram](maxlen=most)
        self._known: OrderedDict[KeyFields, FragmentedDatagram] = OrderedDict()
        self._receivers: dict[KeyFields, int] = {}
        # that each receiver got a fragment of
        self._last: dict[KeyFields, FragmentedDatagram] = {}
        self._quiet_s = inf  # up to then nothing expires, unless a fragment comes before

    def of(self, key: KeyFields, fragment: SentFragment) -> FragmentedDatagram:
        """Return the datagram that a fragment belongs to: one that is known, or that begins with it."""
        known, follows, copies = self._known.get(key), False, None
        self._quiet_s = -inf
        if known is not None:
            # of a whole one fragments may come again; with a first one, whatever it brings, another begins, which is
            # a copy of it until it brings anything else
            again = known.fate is Fate.WHOLE and fragment.start > 0 and known.brought(fragment)
            if known.fate is Fate.OPEN or again:
                self._known.move_to_end(key)
                return known
            del self._known[key]
            follows = known.fate in _BROKEN_OFF or (known.follows and not fragment.first)
            copies = known if self._is_copied(known, fragment) else None
        new = self._resumed(key, fragment) if known is None else None
        if new is None:
            new = FragmentedDatagram(FragmentKey(*key), follows=follows, copies=copies)
        self._known[key] = new
        self._meet(new)
        if len(self._known) > self.most:
            # of the oldest one that is over before one that is open
            oldest = islice(self._known.items(), _OLDEST)
            over = (one for one, datagram in oldest if datagram.fate is not Fate.OPEN)
            self._forget(next(over, next(iter(self._known))))
        return new

    def _is_copied(self, known: FragmentedDatagram, fragment: SentFragment) -> bool:
        """Return whether a datagram brought a fragment not long ago, and is whole; one unread proves nothing."""
        if known.fate is not Fate.WHOLE or not fragment.end or not known.brought(fragment):
            return False
        known.copies = None  # of one before it nothing more is asked
        return fragment.time_s - known.fragments[-1].time_s <= self._copied_s

    def _resumed(self, key: KeyFields, fragment: SentFragment) -> FragmentedDatagram | None:
        """Return what expired under a key where this fragment goes on with it; any other begins another datagram."""
        late = self._late.pop(key, None)
        if late is None or not late.goes_on_with(fragment):
            return None
        if fragment.time_s - late.fragments[-1].time_s > self._late_s:
            return None
        late.fate, late.resumed = Fate.OPEN, fragment
        return late

    def arrive(self, key: KeyFields, fragment: SentFragment) -> FragmentArrival:
        """Note a fragment as sent; return it with its datagram."""
        datagram = self.of(key, fragment)
        repeated = datagram.brought(fragment)
        if not repeated:
            datagram.add(fragment)
        receiver = key[RECEIVER]
        before = self._last.get(receiver)
        if before is not datagram and datagram.fate is Fate.OPEN:
            self._last[receiver] = datagram
            if before is not None:
                last_s = before.fragments[-1].time_s
                if before.fate is Fate.OPEN and fragment.time_s - last_s <= IN_PROGRESS_S:
                    before.met = datagram.met = True
        return FragmentArrival(fragment, datagram, repeated)

    def end(self, datagram: FragmentedDatagram, fate: Fate) -> None:
        """Say what became of a datagram. A whole one may come again in part; behind an overlap another begins."""
        if datagram.fate is Fate.OPEN:
            datagram.fate = fate
            self._leave(datagram.key.receiver)

    def replace(self, datagram: FragmentedDatagram) -> None:
        """Say that another one begins under the tag of a datagram; it is told with those that expire."""
        self._let_go(datagram, Fate.REPLACED)

    def give_up(self, datagram: FragmentedDatagram) -> None:
        """Say that a receiver has no room for a datagram; it is told as well."""
        self._let_go(datagram, Fate.GIVEN_UP)

    def _let_go(self, datagram: FragmentedDatagram, fate: Fate) -> None:
        if datagram.fate is Fate.OPEN:
            self.end(datagram, fate)
            self._given_up.append(datagram)
            self._quiet_s = -inf

    def _meet(self, new: FragmentedDatagram) -> None:
        """Note how many datagrams the receiver has open, in the new one and in those that it meets."""
        receiver = new.key.receiver
        together = self._receivers[receiver] = self._receivers.get(receiver, 0) + 1
        new.beside = max(new.beside, together)
        if 1 < together <= MANY:  # those that were open when there were as many know it
            for other in self._known.values():
                if other.key.receiver == receiver and other.fate is Fate.OPEN:
                    other.beside = max(other.beside, together)

    def _leave(self, receiver: KeyFields) -> None:
        left = self._receivers.pop(receiver) - 1
        if left > 0:
            self._receivers[receiver] = left
        else:
            self._last.pop(receiver, None)

    def _forget(self, key: KeyFields) -> None:
        self._let_go(self._known.pop(key), Fate.GIVEN_UP)

    def put_in_order(self, key: KeyFields, last_s: float) -> None:
        """Put a datagram before those that were sent later, where its fragments came here late; the last at a time."""
        known, is_later = self._known, False
        self._quiet_s = -inf
        for other in [other for other in known if other != key]:
            is_later = is_later or known[other].fragments[-1].time_s > last_s
            if is_later:
                known.move_to_end(other)

    def expire(self, before_s: float) -> list[FragmentedDatagram]:
        """Return those, not whole, whose last fragment came before this time, the oldest first; forget all such.

        Those that were given up for others, or replaced, come first.
        """
        if before_s <= self._quiet_s:
            return []  # of most frames
        known, expired = self._known, list[FragmentedDatagram]()
        self._quiet_s = inf
        if self._given_up:
            expired += self._given_up
            self._given_up.clear()
        while known:
            key, datagram = next(iter(known.items()))
            parts = datagram.fragments
            if parts and parts[-1].time_s >= before_s:
                self._quiet_s = parts[-1].time_s
                break
            if datagram.fate is Fate.OPEN:
                self.end(datagram, Fate.EXPIRED)
                expired.append(datagram)
                if not datagram.is_copy:
                    self._late[key] = datagram
                if len(self._late) > self.most:
                    self._late.popitem(last=False)
            del known[key]
        return expired
