"""Octets that stand among the words of a log and are no frame: addresses, sums, times of day, words such as "face".

radio: rx 41 88 2a cd ab 01 00 17 00 7e      a frame, and after it whatever stands behind these words
net: ext 02 12 4b 00 14 b5 d9 a1             fewer octets than a frame of data has, and no frame control
boot: sum 7942bdf22106f0847762f0f3cb4d764d   read as none, and frames stand behind other words

A line that is read as no frame is held back until it is known behind which words frames stand, so that a log may begin
with others; never for long, and a frame that is read, or proved by its check sequence, goes on at once.
"""

from collections.abc import Iterable, Iterator

from lowpanbudget.capture.files.hex_groups import is_summed
from lowpanbudget.capture.files.hex_rows import OctetLine
from lowpanbudget.capture.files.labels import fixed_label
from lowpanbudget.capture.files.likeness import Likeness, likeness, may_begin
from lowpanbudget.errors import plural

# frame control, sequence number, PAN ID and two short addresses (IEEE 802.15.4-2006 clause 7.2.1): of data, and less
# than any command or beacon has
_SHORTEST = 9
# our choice: labels that are known; frames read that settle what stands behind one, and lines that are read for it
_MOST_LABELS, _SETTLED, _MOST_TAKEN = 256, 8, 64
_MOST_HELD, _MOST_OCTETS = 32, 1 << 16  # lines held back, and octets in them


class _Labelled:
    """What stood behind a label: octets that were read as a frame, those that are none, and any that seemed one."""

    __slots__ = ("has_stood", "is_settled", "none", "read", "taken")

    def __init__(self) -> None:
        self.read = self.none = self.taken = 0
        self.has_stood = self.is_settled = False

    @property
    def is_proved(self) -> bool:
        """Return whether it is a place of frames; among random octets few are read as one."""
        return self.is_settled or self.read > 2 * self.none

    def take(self, octets: bytes) -> Likeness:
        """Take octets that stood here, and return what they are like."""
        if self.taken == _MOST_TAKEN:  # to read all of a long log would be dear
            usual = Likeness.NONE if self.none > self.read else Likeness.HEADER
            return Likeness.SOUND if is_summed(octets) else usual
        like = likeness(octets)
        self.taken += 1
        self.read += like >= Likeness.READ
        self.none += like == Likeness.NONE
        self.has_stood |= len(octets) >= _SHORTEST or like == Likeness.SOUND
        is_sure = like == Likeness.SOUND and not self.none  # in a long log of sums one is by chance
        self.is_settled |= is_sure or (self.read >= _SETTLED and self.is_proved)
        return like


class _Log:
    """What is known of a log up to here, by the labels in it."""

    def __init__(self) -> None:
        self.alone = _Labelled()  # octets without a label, which are frames whatever they are like
        self._places: dict[str, _Labelled] = {}
        self._is_settled = False

    def place(self, one: OctetLine) -> _Labelled:
        """Return the place of a line."""
        if one.found.is_alone:
            return self.alone
        label = fixed_label(one.found.label)
        place = self._places.get(label)
        if place is None:
            place = _Labelled()
            if len(self._places) < _MOST_LABELS:
                self._places[label] = place
        return place

    @property
    def has_frames(self) -> bool:
        """Return whether a place of frames is known."""
        if not self._is_settled:
            places = [self.alone, *self._places.values()]
            self._is_settled = any(place.is_settled for place in places)
            return any(place.is_proved for place in places)
        return True

    def judged(self, one: OctetLine, place: _Labelled, like: Likeness) -> OctetLine:
        """Return a line, without its octets where they are no frame by all one can see."""
        octets, found = one.octets, one.found
        if not octets or found.is_alone or place.is_settled or like == Likeness.SOUND:
            return one
        if self.has_frames:
            is_word = like == Likeness.NONE or place.none > place.read
            is_word &= not place.is_proved
            why = "which are read as none, and frames stand behind other words"
        else:
            is_word = not (place.has_stood or may_begin(octets))
            why = "which none begins with"
        if not is_word:
            return one
        why = f"has no frame: {plural(len(octets), 'octet')} among words, {why}"
        return one._replace(found=found._replace(octets=b"", why=why))


def told_apart(lines: Iterable[OctetLine]) -> Iterator[OctetLine]:
    """Yield lines, without the octets of those that are no frame by all one can see, and the reason in their place."""
    log, tried = _Log(), 0
    held: list[tuple[OctetLine, _Labelled, Likeness]] = []
    count, may_hold = 0, True
    for one in lines:
        place, like = log.alone, Likeness.SOUND
        if not one.octets:
            like = Likeness.NONE
        elif not one.found.is_alone:
            place = log.place(one)
            if not place.is_settled:
                like = place.take(one.octets)
        elif tried < _MOST_HELD and not place.is_settled:
            tried += 1
            place.take(one.octets)
        if like == Likeness.SOUND and not held:
            yield one
            continue
        is_doubtful = like == Likeness.NONE and bool(one.octets)
        if held or (is_doubtful and may_hold and not log.has_frames):
            held.append((one, place, like))
            count += len(one.octets)
            may_hold = len(held) < _MOST_HELD and count < _MOST_OCTETS
            if may_hold and like < Likeness.READ:
                continue
            yield from (log.judged(*each) for each in held)
            held.clear()
        else:
            yield log.judged(one, place, like)
    yield from (log.judged(*each) for each in held)
