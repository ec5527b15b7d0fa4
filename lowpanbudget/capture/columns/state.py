"""What the counting loop remembers from frame to frame, in arrays that the path frame by frame reads and fills too."""

from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from lowpanbudget.capture.columns import memory, words
from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.columns.forms import (
    element_head,
    frame_control,
    security_control,
    sums_of_octets,
)
from lowpanbudget.capture.columns.loops import Loops
from lowpanbudget.capture.follow.repeats import MOST_SOURCES, Seen
from lowpanbudget.capture.sequences import MOST_MISSING, LastNumbers, NodeSequence, noted

MOST_SEQUENCES = 8192
_SOURCE_NUMBERS = 1 + p.DEPTH * p.H_FIELDS


class Front(NamedTuple):
    """What stands before a payload: octets of the MAC header, whether it is numbered, and where its counter is, if any.

    ``mic`` are the octets of the integrity code behind the payload, ``encrypted`` tells whether that is sealed,
    ``secured`` whether the frame is protected at all.
    """

    header: int
    sequenced: int
    counter: int
    mic: int
    encrypted: bool
    secured: bool


def front_octets(mode: int, body: bytes) -> int:
    """Return by what masks are looked up for a payload."""
    if mode == p.SEALED_MODE:
        return p.ALL_SEALED
    if len(body) >= 2:
        return body[0] << 8 | body[1]
    return 65536 + body[0] if body else p.EMPTY


class State:
    """The arrays of the counting loop, and the loop over them."""

    def __init__(self, loops: Loops) -> None:
        self._count, self._digest = loops.count, loops.digest
        self._of_octets, self._numbers = loops.of_octets, loops.numbers
        numbers, octets = loops.numbers, loops.octets
        self.is_full = False  # more nodes are there than the arrays hold
        self.number = 0  # of the frame that is followed on its own
        self.now = 0  # its time, or the last that was told
        self.controls = numbers(1 << 16, p.UNASKED)
        self.securities = numbers(1 << 8, p.UNASKED)
        self.elements = numbers(1 << 16, p.UNASKED)
        self.sums = loops.of_numbers(sums_of_octets())
        self.masks = numbers(p.MOST_MASKS * p.MASK_WIDTH, 0)
        self.classes = numbers(p.MOST_CLASSES * p.C_FIELDS, 0)
        self.examples = octets(p.MOST_CLASSES * p.CLASS_OCTETS)
        self.destinations = octets(p.MOST_CLASSES * 8)
        self.counts = numbers((p.MOST_CLASSES + p.MOST_PAIRS) * p.N_FIELDS, 0)
        self.heard = numbers(MOST_SOURCES * _SOURCE_NUMBERS, 0)
        self.last = numbers(MOST_SEQUENCES * p.L_FIELDS, -1)
        self.chains = numbers(p.CHAINS, -1)
        self.entries = numbers(p.MOST_ENTRIES * p.E_FIELDS, -1)
        self.ring = numbers(p.RING * 2, 0)
        self.parts = numbers(p.MOST_PARTS * p.P_FIELDS, -1)
        self.part_octets = octets(p.MOST_PARTS * p.PART_OCTETS)
        self.s = numbers(p.STATES, 0)
        # free places, each linked to the one behind it
        self.entries[p.E_NEXT :: p.E_FIELDS] = loops.of_numbers(_behind(p.MOST_ENTRIES, p.E_FIELDS))
        self.parts[p.P_NEXT :: p.P_FIELDS] = loops.of_numbers(_behind(p.MOST_PARTS, p.P_FIELDS))
        self.entries[p.E_STATE :: p.E_FIELDS] = numbers(p.MOST_ENTRIES, p.E_FREE)
        self.s[p.NEXT_END] = p.NEVER
        self.s[p.LAST_HEARD] = -1
        self.s[p.FED] = self.s[p.LATEST] = self.s[p.NOW] = p.NO_TIME
        self.forget_classes()

    def forget_classes(self) -> None:
        """Begin with no class: none has a place, a mask or a pair, and nothing is known of what fragments saved."""
        numbers = self._numbers
        self.candidates = numbers(p.CANDIDATES, 0)
        self.lists = numbers(p.MOST_LISTS * p.MASKS_EACH, -1)
        self.slots = numbers(p.CLASS_SLOTS, -1)
        # the pair in each slot, then the two classes of each pair
        self.pairs = numbers(p.PAIR_SLOTS + p.MOST_PAIRS * 2, -1)
        self.savings = numbers(p.SAVINGS * p.S_FIELDS, -1)
        self.s[p.PAIRS] = 0

    def release(self) -> None:
        """Give up the arrays: trace and surveyor hold them in a circle, until somebody looks for garbage."""
        vars(self).clear()

    def count(self, batch: Any, at: int, to: int) -> int:
        """Count the frames of a batch from one to another; return the first that was not."""
        return self._count(
            batch.octets, batch.opened, batch.starts, batch.ends, batch.times, batch.checks, batch.clear,
            self.controls, self.securities, self.elements, self.sums, self.candidates, self.lists, self.masks,
            self.slots, self.classes, self.examples, self.destinations, self.counts, self.pairs, self.heard, self.last,
            self.chains, self.entries, self.ring, self.parts, self.part_octets, self.savings, self.s, at, to,
        )  # fmt: skip

    def front(self, octets: bytes) -> Front | None:
        """Return what stands before the payload of a frame without FCS; None where the loop does not know."""
        word = int.from_bytes(octets[:2], "little")
        form = self._form(self.controls, word, frame_control)
        header, counter, mic, encrypted, is_secured = form & 0xFF, 0, 0, False, False
        if form == p.UNKNOWN or len(octets) < header + (form >> 9 & 1):
            return None
        sequenced, has_elements = form >> 8 & 1, form >> 10 & 1
        if form >> 9 & 1:
            word = octets[header]
            form = self._form(self.securities, word, security_control)
            if form >> 16 & 0xFF:
                counter = header + (form >> 16 & 0xFF)
            header, mic, encrypted = header + (form & 0xFF), form >> 8 & 0xFF, bool(form >> 24 & 1)
            is_secured = bool(form >> 25)
        if has_elements:
            end = len(octets) - mic
            while header + 2 <= end:
                form = self._form(
                    self.elements,
                    int.from_bytes(octets[header : header + 2], "little"),
                    element_head,
                )
                header += form & 0xFF
                if form == p.UNKNOWN or header > end:
                    return None
                if form >> 8:
                    break
        return Front(header, sequenced, counter, mic, encrypted, is_secured)

    def ask(self) -> None:
        """Find out what a word says that the loop wanted to know."""
        forms, asked = {
            p.CONTROL: (self.controls, frame_control),
            p.SECURITY: (self.securities, security_control),
            p.ELEMENT: (self.elements, element_head),
        }[int(self.s[p.STATUS])]
        self._form(forms, int(self.s[p.CODE]), asked)

    @staticmethod
    def _form(forms: Any, word: int, asked: Callable[[int], int]) -> int:
        """Return what a word says, asked once."""
        if forms[word] == p.UNASKED:
            forms[word] = asked(word)
        return int(forms[word])

    def set_class(
        self,
        number: int,
        fields: list[int],
        front: Front,
        octets: bytes,
        body: bytes,
        destination: bytes,
    ) -> None:
        """Put a class into its place, with the octets of its example."""
        at = number * p.CLASS_OCTETS
        self._put(self.examples, at, octets[: front.header])
        self._put(self.examples, at + p.HEAD_OCTETS, body[: p.KEPT_OCTETS])
        self._put(self.destinations, number * 8, destination)
        seed = fields[p.C_FCS] | fields[p.C_MODE] << 4
        key = words.absorbed(seed, octets, 0, 2)
        if front.counter:
            key = words.absorbed(key, octets, 2 + front.sequenced, front.counter)
            key = words.absorbed(key, octets, front.counter + 4, front.header)
        else:
            key = words.absorbed(key, octets, 2 + front.sequenced, front.header)
        mask = fields[p.C_MASK]
        key = words.mixed(words.mixed(key, mask, words.FACTOR_A), fields[p.C_COUNT], words.FACTOR_B)
        for k in range(int(self.masks[mask + p.RANGES])):
            one = mask + 2 + 2 * k
            key = words.absorbed(key, body, int(self.masks[one]), int(self.masks[one + 1]))
        fields[p.C_HASH] = key
        slot = key & (p.CLASS_SLOTS - 1)
        while self.slots[slot] >= 0:
            slot = (slot + 1) & (p.CLASS_SLOTS - 1)
        self.slots[slot] = number
        for at, value in enumerate(fields, number * p.C_FIELDS):
            self.classes[at] = int(value)

    def set_saving(self, first: int, around: int, actual: int, value: int) -> None:
        """Note how many octets too many such fragments are."""
        place = memory.saving_place(self.savings, first, around, actual) * p.S_FIELDS
        for at, number in enumerate((first, around, actual, value), place):
            self.savings[at] = number

    @staticmethod
    def _put(into: Any, at: int, octets: bytes) -> None:
        for place, octet in enumerate(octets, at):
            into[place] = octet

    def known_pairs(self, since: int = 0) -> Iterator[tuple[int, int, int]]:
        """Yield pairs in their order: class of the first fragment, of the later ones, and where they are counted."""
        for number in range(since, int(self.s[p.PAIRS])):
            one = p.PAIR_SLOTS + number * 2
            yield int(self.pairs[one]), int(self.pairs[one + 1]), p.MOST_CLASSES + number

    def last_heard(self, source: int) -> Iterator[Seen]:
        """Yield the last frames of a source, the oldest first."""
        base = source * _SOURCE_NUMBERS
        many = int(self.heard[base])
        for back in range(min(many, p.DEPTH), 0, -1):
            one = base + 1 + ((many - back) % p.DEPTH) * p.H_FIELDS
            time, sequence, contents, number, answered = map(
                int, self.heard[one : one + p.H_FIELDS]
            )
            yield Seen(
                number, None if time == p.NO_TIME else time, None if sequence < 0 else sequence, hash(contents),
                bool(answered),
            )  # fmt: skip

    def digest(self, contents: bytes) -> int:
        """Return what stands for the contents of a frame in the arrays."""
        octets = self._of_octets(contents)
        return self._digest(octets, 0, len(contents), octets, 0, 0)


def _behind(most: int, fields: int) -> list[int]:
    """Return for each place the one behind it; -1 for the last."""
    return [*range(fields, most * fields, fields), -1]


class SharedSequences(LastNumbers):
    """The last number of each sequence, over the arrays of the loop; over its own once there are too many."""

    def __init__(self, state: State) -> None:
        super().__init__(MOST_SEQUENCES)
        self._state = state
        self._places: dict[NodeSequence, int] = {}

    def place(self, sequence: NodeSequence) -> int:
        """Return where the last number of a sequence stands; -1 when there are too many: the loop ends."""
        place = self._places.get(sequence)
        if place is None:
            if len(self._places) >= MOST_SEQUENCES:
                self._state.is_full = True
                return -1
            place = self._places[sequence] = len(self._places)
        return place

    def take(self, sequence: NodeSequence, number: int) -> int:
        """Note a number of a sequence; return how many are missing before it."""
        place = -1 if self._state.is_full else self.place(sequence)
        if place < 0:
            self._take_over()
            return super().take(sequence, number)
        last, at = self._state.last, place * p.L_FIELDS
        noted_last, missing = noted(int(last[at + p.L_NUMBER]), number, MOST_MISSING)
        last[at + p.L_NUMBER], last[at + p.L_USED] = noted_last, self._state.number
        return missing

    def _take_over(self) -> None:
        """Go on with the last numbers that the arrays hold, in the order in which they were told."""
        last = self._state.last
        places = sorted(
            (int(last[place * p.L_FIELDS + p.L_USED]), sequence, place)
            for sequence, place in self._places.items()
        )
        for _, sequence, place in places:
            number = int(last[place * p.L_FIELDS + p.L_NUMBER])
            if number >= 0:
                self[sequence] = number
        self._places.clear()
