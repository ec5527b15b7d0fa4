"""Datagrams in fragments, held by the loop or by a reassembler: each by one of them, and handed over in their order."""

from collections.abc import Iterator
from typing import Any

from lowpanbudget.capture.columns import held
from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.columns.learning import Learner
from lowpanbudget.capture.columns.state import State
from lowpanbudget.capture.follow.fragment_intake import FragmentIntake
from lowpanbudget.capture.follow.parts import DatagramPart, given_up
from lowpanbudget.capture.follow.templates import Template
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.stack.events import Event
from lowpanbudget.stack.fragment_key import FragmentKey, KeyFields
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.pieces import SentFragment

# what the loop may hold; a reassembler gives up others beyond its own bounds, which are counted over both
_MOST_OPEN, _MOST_OCTETS = 200, 1 << 19


class SharedReassembler(FragmentIntake):
    """A reassembler that takes over from the loop what a frame belongs to before it looks at that frame."""

    __slots__ = ("_kept", "_learner", "_state", "_surveyor", "_trace")

    def __init__(self, state: State, learner: Learner, surveyor: Any, trace: Any) -> None:
        super().__init__(timeout_s=trace.timeout_s)
        self.renew(trace.reader.decoder.env())
        self._state, self._learner, self._surveyor, self._trace = state, learner, surveyor, trace
        self._kept: list[Template] = []

    def feed(self, frame: Frame, time_s: float = 0.0, mark: object = None) -> list[Event]:
        """Return the events that a frame causes."""
        self._leave_room()
        fragment = frame.fragment or next(
            (one for one in frame.layers if isinstance(one, Fragment)), None
        )
        if isinstance(fragment, Fragment):
            self._take(FragmentKey.of(frame, fragment))
        return super().feed(frame, time_s, mark)

    def take(self, key: KeyFields, sent: SentFragment, octets: bytes, like: Frame) -> list[Event]:
        """Return the events that a fragment of a frame ``like`` this one causes."""
        self._leave_room()
        self._take(FragmentKey(*key))
        return super().take(key, sent, octets, like)

    def _leave_room(self) -> None:
        s = self._state.s
        if s[p.OPEN] and (s[p.OPEN] >= s[p.ROOM] or s[p.OPEN_OCTETS] >= s[p.ROOM_OCTETS]):
            self.hand_over_all()

    def make_room(self) -> None:
        """Tell the loop how much it may hold beside what is held here."""
        s = self._state.s
        s[p.ROOM] = _MOST_OPEN - len(self._open)
        s[p.ROOM_OCTETS] = _MOST_OCTETS - self.held

    def go_back(self) -> None:
        """Take all over where the clock goes back: the loop cannot tell what that ends."""
        self.hand_over_all((p.E_OPEN, p.E_WHOLE))
        self._state.s[p.WENT_BACK] = 1
        self.catch_up()

    def catch_up(self) -> None:
        """End what the frames since the last that was followed have ended."""
        s = self._state.s
        if s[p.LATEST] != p.NO_TIME:
            self.expired(self._seconds(int(s[p.LATEST])))
        if s[p.FED] != p.NO_TIME:
            self._surveyor.end(given_up(self._expire(self._seconds(int(s[p.FED])))))
        s[p.LATEST] = s[p.FED] = p.NO_TIME

    def hand_over_all(self, states: tuple[int, ...] = (p.E_OPEN,)) -> None:
        """Take all that the loop holds and that is not whole, in the order in which it began."""
        self._state.now = max(self._state.now, int(self._state.s[p.NOW]))
        entries, oldest = self._state.entries, self._state.now - self._state.s[p.COPIED]
        open_ = [
            number * p.E_FIELDS
            for number, state in enumerate(entries[p.E_STATE :: p.E_FIELDS])
            if state in states
            and (state == p.E_OPEN or entries[number * p.E_FIELDS + p.E_LAST] >= oldest)
        ]
        parts = self._state.parts
        for entry in sorted(
            open_, key=lambda one: int(parts[entries[one + p.E_FIRST] + p.P_NUMBER])
        ):
            self._hand_over(entry)

    def _take(self, key: FragmentKey) -> None:
        """See to it that what belongs to a key is held here."""
        state, now = self._state, self._state.now
        ends, word = self._learner.ends(key), (key.size or 0) << 16 | key.tag
        entries = state.entries
        entry = held.entry_of(state.chains, entries, ends, word)
        if entry >= 0 and entries[entry + p.E_STATE] == p.E_OPEN:
            self._hand_over(entry)
        elif entry >= 0 and entries[entry + p.E_STATE] == p.E_WHOLE:
            if now - entries[entry + p.E_LAST] <= state.s[p.COPIED]:
                self._hand_over(entry)
        elif entry < 0:
            if state.s[p.FREE_ENTRY] < 0:
                self._forget()
            if state.s[p.FREE_ENTRY] < 0:
                state.is_full = True
                return
            entry = held.new_entry(state.s, state.chains, entries, ends, word)
        held.free_parts(state.s, entries, state.parts, entry)
        last = p.NEVER if self._trace.first_ns is None else now  # nobody knows when that was
        entries[entry + p.E_STATE], entries[entry + p.E_LAST] = p.E_OWNED, last
        entries[entry + p.E_STARTED] = now

    def _forget(self) -> None:
        """Give up a place of the loop: of a whole datagram, or of one that is held here no more."""
        state = self._state
        if held.forget(state.s, state.entries, state.ring, state.parts, state.chains):
            return
        for entry in range(0, p.MOST_ENTRIES * p.E_FIELDS, p.E_FIELDS):
            if (
                state.entries[entry + p.E_STATE] == p.E_OWNED
                and state.now - state.entries[entry + p.E_LAST] > 2 * state.s[p.TIMEOUT]
            ):
                held.release(state.s, state.entries, state.parts, state.chains, entry)

    def _hand_over(self, entry: int) -> None:
        """Take the fragments of one datagram as if they had come here."""
        state, s, entries = self._state, self._state.s, self._state.entries
        for frame, time_s, mark in list(self._fragments(entry)):
            self.expired(time_s)
            self._surveyor.end(given_up(super().feed(frame, time_s, mark)))
            assert frame.fragment is not None
            key = FragmentKey.of(frame, frame.fragment)
            self._sent.put_in_order(key.fields, self._seconds(int(entries[entry + p.E_LAST])))
        if entries[entry + p.E_STATE] == p.E_OPEN:
            s[p.OPEN] -= 1
            s[p.OPEN_OCTETS] -= entries[entry + p.E_RECEIVED]
        held.free_parts(s, entries, state.parts, entry)
        entries[entry + p.E_STATE] = p.E_OWNED
        self.expired(self._seconds(state.now))
        self._open.sort(lambda one: one.marks[0].number if one.marks else 0)

    def _fragments(self, entry: int) -> Iterator[tuple[Frame, float, DatagramPart]]:
        state = self._state
        parts = state.parts
        part = int(state.entries[entry + p.E_FIRST])
        while part >= 0:
            template = self._template(int(parts[part + p.P_CLASS]))
            at = part // p.P_FIELDS * p.PART_OCTETS
            payload = bytes(state.part_octets[at : at + int(parts[part + p.P_LENGTH])])
            example, built = template.example, template.build(payload)
            assert built is not None
            frame = Frame(
                payload, example.mac, payload, example.link_source, example.link_destination, None,
                template.fragment_of(payload), built, example.checksum_elided, False,
                example.heads, example.values,
            )  # fmt: skip
            number, octets = int(parts[part + p.P_NUMBER]), int(parts[part + p.P_FRAME])
            mark = DatagramPart(number, len(payload), template, octets)
            yield frame, self._seconds(int(parts[part + p.P_TIME])), mark
            part = int(parts[part + p.P_NEXT])

    def _template(self, place: int) -> Template:
        if place < 0:
            return self._kept[-1 - place]
        return self._learner.classes[place // p.C_FIELDS].template

    def keep_templates(self) -> None:
        """Keep those of whole datagrams that the loop still holds: their classes are about to be forgotten."""
        state, kept = self._state, dict[Template, int]()
        for entry in range(0, p.MOST_ENTRIES * p.E_FIELDS, p.E_FIELDS):
            if state.entries[entry + p.E_STATE] == p.E_WHOLE:
                part = int(state.entries[entry + p.E_FIRST])
                while part >= 0:
                    template = self._template(int(state.parts[part + p.P_CLASS]))
                    state.parts[part + p.P_CLASS] = -1 - kept.setdefault(template, len(kept))
                    part = int(state.parts[part + p.P_NEXT])
        self._kept = list(kept)

    def _seconds(self, time_ns: int) -> float:
        return (time_ns - (self._trace.first_ns or 0)) / 10**9
