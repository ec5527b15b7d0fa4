"""The records of a capture file as batches, found in its octets where the format allows, read one by one elsewhere."""

import struct
from collections.abc import Generator, Iterator
from itertools import islice
from typing import Any

from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.columns.batch import Batch, ReadBatch, WalkedBatch
from lowpanbudget.capture.columns.loops import Loops
from lowpanbudget.capture.files import tap
from lowpanbudget.capture.files.link_types import ETHERNET, LINK_TYPES, unwrap
from lowpanbudget.capture.files.pcap import SECOND, PcapLayout
from lowpanbudget.capture.files.pcapng import Section
from lowpanbudget.capture.files.reading import CaptureFile
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.fcs_check import WINDOW
from lowpanbudget.capture.follow.tracing import Trace

BLOCK = 1 << 19  # octets that are looked at together
_WRAPPED = {195: p.PLAIN, 230: p.PLAIN, 283: p.TAPPED, 1: p.BEHIND_ETHERNET}


class Walker:
    """Yields the frames of a capture in batches; the first are read before, to test where they end."""

    def __init__(self, records: CaptureFile, trace: Trace, loops: Loops) -> None:
        self._records, self._trace, self._loops = records, trace, loops
        numbers = loops.numbers
        self._sizes = loops.of_numbers(
            [struct.calcsize(tap.ELEMENTS[kind].layout) for kind in range(len(tap.ELEMENTS))]
        )
        self._found = [numbers(p.AT_ONCE, 0) for _ in range(7)]
        self._w = numbers(1, 0)
        self._rules: dict[int, Any] = {}

    def batches(self) -> Iterator[Batch]:
        """Yield all frames, in order."""
        asked = WINDOW
        window = list(islice(self._records, asked))
        self._trace.test_endings(window)
        self._trace.twins.test(window, self._records)
        while window:
            yield ReadBatch(window, self._trace.endings, self._loops)
            if len(window) < asked:
                return  # the reader has come to its end, whatever octets may follow
            walked = yield from self._walked()
            asked = 1 if walked else min(4 * asked, p.AT_ONCE)
            window = list(islice(self._records, asked))

    def _walked(self) -> Generator[Batch, None, bool]:
        """Yield what can be found in the octets ahead; return whether anything was."""
        source, any_found = self._records.source, False
        while source is not None:
            known = self._known(source.layout)
            if known is None:
                return any_found
            walk, order, unit, link_type = known
            octets = self._loops.of_octets(source.ahead(BLOCK)[:BLOCK])
            found = walk(
                octets,
                len(octets),
                order == ">",
                unit,
                self._rules[link_type],
                self._sizes,
                *self._found,
                self._w,
            )
            if not found:
                return any_found
            any_found = True
            number, offset = source.frames + 1, source.offset
            source.pass_over(int(self._w[p.AT]), found)
            yield WalkedBatch(octets, self._found, found, number, offset, link_type, self._loops)
        return any_found

    def _known(self, layout: Any) -> tuple[Any, str, int, int] | None:
        """Return what finds the records of a file, and in which form they are; None where nothing does."""
        if isinstance(layout, PcapLayout):
            walk, order, unit, link_type = (
                self._loops.walk_pcap,
                layout.order,
                layout.unit,
                layout.link_type,
            )
        elif isinstance(layout, Section) and len(layout.interfaces) == 1:
            (interface,) = layout.interfaces
            unit, left = divmod(SECOND, interface.per_second)
            if left or not unit or interface.offset_s:
                return None
            walk, order, link_type = self._loops.walk_pcapng, layout.order, interface.link_type
        else:
            return None
        if link_type not in self._rules:
            if link_type not in _WRAPPED:
                return None
            self._rules[link_type] = self._loops.of_numbers(self._rule(link_type))
        return walk, order, unit, link_type

    def _rule(self, link_type: int) -> list[int]:
        """Return what is to be known of records of a link type."""
        claim = unwrap(Record(0, None, link_type, bytes(ETHERNET.octets), 0)).fcs
        rule = [_WRAPPED[link_type], ETHERNET.octets, p.CLAIMS.index(claim)]
        assert link_type in LINK_TYPES
        for claimed in p.CLAIMS:
            check, status = self._trace.endings.rule(link_type, claimed)
            rule += [check if check in (0, 2) else -1, status]
        return [*rule, len(self._sizes)]
