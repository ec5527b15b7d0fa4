"""A record of a capture, and what reading noticed: the values that every reader of files yields."""

from typing import NamedTuple

from lowpanbudget.shown import shown_named

MOST_NOTICES = 1000  # that are kept; of more, only their number
_MOST_FORGOTTEN = 1 << 16  # of which notices may still come


class Record(NamedTuple):
    """One frame of a capture.

    ``number`` counts from 1. ``time_ns`` is in nanoseconds since 1970, or since whatever a text log counts from; None
    without a time stamp. ``link_type`` is a number of the link-type registry. ``original_length`` is what the frame
    had on the air; fewer ``octets`` say that the capture kept only the front. ``offset`` is where the octets stand in
    the file (uncompressed, where it was compressed). ``receiver`` names the one that heard it, where there are several.
    What is of another kind is refused with ``RequestError`` where a record is read or written.
    """

    number: int
    time_ns: int | None
    link_type: int
    octets: bytes
    original_length: int
    offset: int | None = None
    receiver: str | None = None

    def __repr__(self) -> str:
        return shown_named(self)


NO_CAPTURE = "not-a-capture"
FILE_EMPTY = "file-empty"  # no octet of it is wrong, there is none: it holds no frame, as one with a header alone
CLOCK_DIFFERS = "receiver-clock-differs"
FRAME_CUT = "frame-cut"  # of a frame the capture kept the front only, as it was told to
FILES_JOINED = "files-joined"
RECORDS_TWICE = "records-twice"
TWICE = (
    "nearly all records come twice, one at once behind the other with the same octets: sooner than any node can send "
    "again, so the receiver writes them twice, and each is counted once"
)
# of a text: a line without octets, one whose octets cannot be told for sure, a number that may be a time
LINE_WRONG, LINE_GARBLED, TIME_NOT_READ = "line-wrong", "line-garbled", "time-not-read"
# names of notices that say that the file itself is wrong, not that it holds something odd
_DAMAGE = {
    NO_CAPTURE,
    "file-cut",
    FILES_JOINED,
    LINE_GARBLED,
    "length-wrong",
    "block-wrong",
    "interface-unknown",
}


class ReadingNotice(NamedTuple):
    """What reading a file noticed: ``name`` for code, ``text`` for people.

    ``number`` is that of the frame, or of the one before it, ``offset`` the octet of the file where it stands.
    """

    name: str
    text: str
    number: int
    offset: int

    @property
    def is_damage(self) -> bool:
        """Return whether the file itself is wrong."""
        return self.name in _DAMAGE

    def __str__(self) -> str:
        """Return the place and the text; a clock is found wrong by many frames, and at no place of a file."""
        if self.name == CLOCK_DIFFERS:
            return self.text
        return f"octet {self.offset}, after frame {self.number}: {self.text}"


class Notices:
    """Collects what reading noticed, in bounded memory: ``kept`` holds the first ones, ``count`` counts all.

    Among those kept is the first that says that the file is wrong, however late it comes.
    """

    __slots__ = ("_forgotten", "count", "kept")

    def __init__(self) -> None:
        self.kept: list[ReadingNotice] = []
        self.count = 0
        self._forgotten: set[int] = set()

    def add(self, name: str, text: str, number: int, offset: int) -> None:
        """Keep a notice, or only count it when there are many already."""
        self.count += 1
        kept = self.kept
        if name == FRAME_CUT and number in self._forgotten:
            return
        if len(kept) < MOST_NOTICES or (name in _DAMAGE and not any(one.is_damage for one in kept)):
            kept.append(ReadingNotice(name, text, number, offset))

    def forget_cut(self, number: int) -> None:
        """Leave out that a frame was cut, which was noticed last, or will be at the end of several files."""
        self.count -= 1
        if self.kept and self.kept[-1][::2] == (FRAME_CUT, number):
            self.kept.pop()
        elif len(self._forgotten) < _MOST_FORGOTTEN:
            self._forgotten.add(number)
