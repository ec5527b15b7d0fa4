"""Frames of a capture as arrays: where each begins and ends in octets that they share, and when it was heard."""

from abc import abstractmethod
from collections.abc import Sequence
from typing import Any

from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.columns.loops import Loops
from lowpanbudget.capture.columns.state import Front
from lowpanbudget.capture.files.link_types import FRAME, unwrap
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.ending import Endings


class Batch:
    """Frames of a capture; ``number`` is that of the first of them, ``len`` how many there are.

    ``checks`` are the octets of FCS of each, -1 for a record that is followed on its own; ``clear`` is where the
    payload of each that was opened stands in ``opened``.
    """

    octets: Any
    starts: Any
    ends: Any
    times: Any
    checks: Any

    def __init__(self, number: int, many: int, loops: Loops) -> None:
        self.number, self._many = number, many
        self.opened: Any = loops.of_octets(b"")
        self.clear: Any = loops.numbers(many, p.SEALED)

    def __len__(self) -> int:
        return self._many

    @abstractmethod
    def record(self, at: int) -> Record:
        """Return a frame as a record."""

    @abstractmethod
    def slot(self, at: int) -> int | None:
        """Return the absolute slot number that a frame was received in, where it is told."""

    def frame(self, at: int) -> bytes:
        """Return the octets of a frame, without its FCS."""
        return bytes(self.octets[self.starts[at] : self.ends[at] - max(self.checks[at], 0)])

    def body(self, at: int, front: Front) -> bytes:
        """Return what stands behind the header of a frame, in the clear where it was opened, up to the MIC."""
        frame = self.frame(at)
        body = frame[front.header : len(frame) - front.mic]
        place = self.clear[at]
        return body if place < 0 else bytes(self.opened[place : place + len(body)])


class ReadBatch(Batch):
    """Records that a reader gave."""

    def __init__(self, records: Sequence[Record], endings: Endings, loops: Loops) -> None:
        super().__init__(records[0].number, len(records), loops)
        self._records = records
        self._slots: dict[int, int] = {}
        starts, ends, times, checks, texts, at = [], [], [], [], [], 0
        for place, record in enumerate(records):
            body = unwrap(record)
            text, check = b"", -1
            if (
                body.kind == FRAME
                and record.receiver is None
                and len(record.octets) >= record.original_length
            ):
                text, check, *_ = endings.of(record, body)
                check = check if check in (0, 2) else -1
                if body.asn is not None:
                    self._slots[place] = body.asn
            starts.append(at)
            at += len(text)
            ends.append(at)
            texts.append(text)
            times.append(p.NO_TIME if record.time_ns is None else record.time_ns)
            checks.append(check)
        self.octets = loops.of_octets(b"".join(texts))
        self.starts, self.ends, self.times, self.checks = map(
            loops.of_numbers, (starts, ends, times, checks)
        )

    def record(self, at: int) -> Record:
        """Return a frame as a record."""
        return self._records[at]

    def slot(self, at: int) -> int | None:
        """Return the absolute slot number of a frame."""
        return self._slots.get(at)


class WalkedBatch(Batch):
    """Records that were found in the octets of a file, from octet ``offset`` of it on."""

    def __init__(
        self, octets: Any, found: Sequence[Any], many: int, number: int, offset: int, link_type: int, loops: Loops
    ) -> None:  # fmt: skip
        super().__init__(number, many, loops)
        self.octets, self._offset, self._link_type = octets, offset, link_type
        self._at, self._lengths, self.starts, self.ends, self.times, self.checks, self._slots = (
            found
        )

    def record(self, at: int) -> Record:
        """Return a frame as a record."""
        start, length = int(self._at[at]), int(self._lengths[at])
        octets = bytes(self.octets[start : start + length])
        return Record(
            self.number + at,
            int(self.times[at]),
            self._link_type,
            octets,
            length,
            self._offset + start,
        )

    def slot(self, at: int) -> int | None:
        """Return the absolute slot number of a frame."""
        slot = int(self._slots[at])
        return None if slot < 0 else slot
