"""A survey by columns: the loop counts what it knows, and stops before each frame that wants to be followed.

Both take the frames in their order, and what one path remembers the other sees: the last frames of each node, their
numbers, and fragments, which are handed over where they do not come as they are sent.
"""

from typing import Any

from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.columns.batch import Batch
from lowpanbudget.capture.columns.fragments import SharedReassembler
from lowpanbudget.capture.columns.last_frames import SharedRepeats
from lowpanbudget.capture.columns.learning import FrameClass, Learner
from lowpanbudget.capture.columns.loops import Loops
from lowpanbudget.capture.columns.opening import FrameOpener
from lowpanbudget.capture.columns.state import SharedSequences, State
from lowpanbudget.capture.columns.walking import Walker
from lowpanbudget.capture.files.link_types import unwrap
from lowpanbudget.capture.files.reading import CaptureFile
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.tracing import SECOND, Trace
from lowpanbudget.capture.room_left import RoomLeft
from lowpanbudget.capture.sequences import MOST_MISSING
from lowpanbudget.capture.tally import see

# how often all classes may be forgotten, and once more for so many frames that were counted: it takes as long as some
# hundred frames that are followed; our choice
_MOST_CLEARS, _CLEARS_EVERY = 32, 512


class ColumnSurvey:
    """Adds the frames of a capture to a surveyor as its trace would, by columns where that can be done.

    ``counted`` frames were counted by the loop, ``followed`` ones one by one; ``headers`` were read for the former.
    """

    def __init__(self, trace: Trace, surveyor: Any, loops: Loops) -> None:
        self._trace, self._surveyor, self._loops = trace, surveyor, loops
        state = self._state = State(loops)
        repeats = trace.repeats = SharedRepeats(state)
        sequences = surveyor.gaps.last = SharedSequences(state)
        self._learner = Learner(trace, surveyor, state, repeats, sequences)
        self._reassembler = trace.reassembler = SharedReassembler(
            state, self._learner, surveyor, trace
        )
        # an FCS of 4 octets, which tells of long frames too, is followed
        room = RoomLeft(trace.design)
        state.s[p.LARGEST] = room.up_to(p.USUAL_FRAME, 0)
        state.s[p.LARGEST_LONG] = room.up_to(p.USUAL_FRAME + 1, 0)
        state.s[p.MTU] = room.mtu
        state.s[p.MOST_MISSING] = MOST_MISSING
        # nearer to the end of its time a reassembler decides, whose times are in seconds
        timeout = int(trace.timeout_s * 10**9)
        state.s[p.TIMEOUT], state.s[p.COPIED] = timeout - 1000, timeout + 1000
        self._changes = trace.known.changes
        # short addresses whose devices are others since they were last looked at
        self._changed: set[int] = set()
        trace.knowledge.learned_devices.watch = self._changed.add
        self._clears = 0
        self._opener = FrameOpener(state)
        self._reassembler.make_room()
        self.counted = self.followed = 0

    @property
    def headers(self) -> int:
        """Return how many frames were read for all that are like them."""
        return self._learner.headers

    def add(self, records: CaptureFile) -> None:
        """Add all frames of a capture: once, for what was remembered of them is given up."""
        for batch in Walker(records, self._trace, self._loops).batches():
            self._add(batch)
        self._take_up()
        self._reassembler.hand_over_all()
        self._set_clock()
        self._trace.end()
        self._state.release()

    # --- frames of a batch ---------------------------------------------------------------------------

    def _add(self, batch: Batch) -> None:
        state, s, to = self._state, self._state.s, len(batch)
        trace, at, learned = self._trace, 0, -1
        s[p.NUMBER] = batch.number
        self._changed.clear()
        self._opener.open_batch(batch, trace.reader.decoder, self._loops)
        while at < to:
            if trace.first_ns is None:
                self._begin(batch, at)
            if state.is_full or trace.twins.are_there:
                self._follow(batch, at)
                at += 1
                continue
            pairs = int(s[p.PAIRS])
            before, at = at, state.count(batch, at, at + 1 if self._learner.is_waiting else to)
            for first, later, _ in state.known_pairs(pairs):
                self._begin_layers(first, later)
            self.counted += at - before
            trace.reader.regulars.again += at - before
            self._learner.name_flow()
            status = s[p.STATUS]
            if status == p.DONE:
                continue
            if status in (p.CONTROL, p.SECURITY, p.ELEMENT):
                state.ask()
                continue
            if status == p.BACK:
                self._reassembler.go_back()
                continue
            if status == p.LEARN and at != learned and self._learn(batch, at):
                learned = at
                continue
            self._follow(batch, at)
            at += 1
            if self._changed:
                decoder = trace.reader.decoder
                self._opener.open_again(batch, at, self._changed, decoder, self._loops)
                self._changed.clear()

    def _begin(self, batch: Batch, at: int) -> None:
        time_ns = batch.record(at).time_ns
        if time_ns is not None:
            self._trace.first_ns = time_ns

    def _look_at(self, batch: Batch, at: int) -> Record:
        record = batch.record(at)
        state = self._state
        state.number = record.number
        last = int(state.s[p.NOW])
        state.now = (
            record.time_ns if record.time_ns is not None else 0 if last == p.NO_TIME else last
        )
        return record

    def _learn(self, batch: Batch, at: int) -> bool:
        """Make a class of a frame; return whether the loop can count it now."""
        record = self._look_at(batch, at)
        body = unwrap(record)
        trace, state = self._trace, self._state
        octets, length, status, _ = trace.endings.of(record, body)
        trace.turn_to(octets)
        front = state.front(batch.frame(at))
        if front is None:
            return False
        if self._learner.is_full:
            self._clear()
        mode = p.CLEAR_MODE
        if batch.clear[at] >= 0:
            mode = p.OPENED_MODE
        elif front.encrypted:
            mode = p.SEALED_MODE
        sighting = Sighting(
            record, body, trace.reader.decoder, trace.matcher, octets, length, status
        )
        if length:
            sighting.fcs_ok = True  # the loop has seen to it
        number = self._learner.learn(sighting, front, batch.body(at, front), mode)
        if number is None:
            return False
        self._learner.headers += 1
        self._begin_layers(number, number)
        return True

    def _begin_layers(self, first: int, later: int) -> None:
        """Let the tally of a class tell the layers of another in the order in which they came, however counted."""
        tally = self._learner.tallies[first]
        for layer in () if tally is None else self._learner.classes[later].layers:
            tally.layer_bits.setdefault(layer, 0)

    def _set_clock(self) -> None:
        """Tell the trace the time of the last frame that was counted."""
        if self._trace.first_ns is not None and self._state.s[p.NOW] != p.NO_TIME:
            self._trace.time_s = (int(self._state.s[p.NOW]) - self._trace.first_ns) / SECOND

    def _follow(self, batch: Batch, at: int) -> None:
        """Follow a frame as a trace does."""
        trace, s = self._trace, self._state.s
        if s[p.WENT_BACK]:
            self._reassembler.catch_up()
        elif p.NO_TIME != batch.times[at] < s[p.NOW]:
            self._reassembler.go_back()
        record = self._look_at(batch, at)
        saving = s[p.STATUS] == p.SAVING
        first = int(s[p.FIRST_CLASS]), int(s[p.AROUND]), int(s[p.ACTUAL])
        self._set_clock()
        sighting = trace.feed(record)
        self._surveyor.add(sighting)
        self.followed += 1
        if record.time_ns is not None:
            s[p.NOW] = record.time_ns
        self._learner.followed(sighting, first if saving else None)
        s[p.NEXT_END] = trace.known.next_end_ns or p.NEVER
        self._reassembler.make_room()
        is_wrong = trace.known.changes != self._changes or self._learner.is_wrong
        if is_wrong and not self._state.is_full:  # else no class is asked any more
            self._changes = trace.known.changes
            self._clear()

    def _clear(self) -> None:
        """Forget all classes; where that comes to be done too often, follow the frames one by one from here on."""
        self._clears += 1
        if self._clears > _MOST_CLEARS + self.counted // _CLEARS_EVERY:
            self._state.is_full = True
        self._reassembler.hand_over_all()
        self._reassembler.keep_templates()
        self._take_up()
        self._learner.clear()

    # --- what was counted ------------------------------------------------------------------------------

    def _take_up(self) -> None:
        """Add what the loop counted to the tallies."""
        counts, classes, tallies = self._state.counts, self._learner.classes, self._learner.tallies
        for number, one in enumerate(classes):
            if counts[number * p.N_FIELDS + p.N_FRAMES]:
                self._tell(number, one, tallies[number])
        for first, later, number in self._state.known_pairs():
            if counts[number * p.N_FIELDS + p.N_FRAMES]:
                self._tell(number, classes[later], tallies[first])
        self._surveyor.take_up()
        for place, octets in ((p.SEEN_USUAL, p.USUAL_FRAME), (p.SEEN_LONG, p.USUAL_FRAME + 1)):
            if self._state.s[place]:
                self._surveyor.room.up_to(octets, 0)
        # of what was learned for frames that were then followed
        for tally in filter(None, tallies):
            for layer in [layer for layer, bits in tally.layer_bits.items() if not bits]:
                del tally.layer_bits[layer]

    def _tell(self, number: int, one: FrameClass, tally: Any) -> None:
        """Add what was counted under a number to a tally, and begin anew under it."""
        counts = self._state.counts
        at = number * p.N_FIELDS
        values = [int(counts[at + field]) for field in range(p.N_FIELDS)]
        for field in range(p.N_FIELDS):
            counts[at + field] = 0
        frames, longer = values[p.N_FRAMES], values[p.N_LONGER]
        for field, name in _NAMES.items():
            setattr(tally, name, getattr(tally, name) + values[field])
        tally.byte_code += one.code.byte_code * frames
        tally.expanded += one.code.expanded * frames
        layers = tally.layer_bits
        for layer, bits in one.layers.items():
            layers[layer] = layers.get(layer, 0) + bits * frames
        if longer:
            layers[one.template.tail_layer] += longer * 8
        for time_ns in (values[p.N_FIRST], values[p.N_LAST]):
            see(tally, None if time_ns == p.NO_TIME else time_ns)
        if one.reason:
            self._surveyor.leave_unread(tally, one.reason, frames)


_NAMES = {
    p.N_FRAMES: "frames",
    p.N_OCTETS: "octets",
    p.N_DATAGRAMS: "datagrams",
    p.N_DATAGRAM_OCTETS: "datagram_octets",
    p.N_APPLICATION: "application",
    p.N_UNUSED: "unused",
    p.N_AVOIDABLE: "avoidable",
    p.N_FRAGMENTS: "fragments",
    p.N_RETRANSMISSIONS: "retransmissions",
    p.N_DUPLICATES: "duplicates",
    p.N_LOST: "lost",
    p.N_ASSEMBLED: "assembled",
}
