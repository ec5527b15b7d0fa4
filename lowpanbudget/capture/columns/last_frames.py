"""The last frames of each source, which the counting loop and those who follow frames one by one both read and fill."""

from lowpanbudget.capture.columns import memory
from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.columns.state import State
from lowpanbudget.capture.follow.parts import Copied
from lowpanbudget.capture.follow.repeats import MOST_SOURCES, Again, LastFrames, Repeats
from lowpanbudget.layers.link.stations import Station


class SharedRepeats(Repeats):
    """What ``Repeats`` does, over the arrays of the loop; over its own once there are more sources than these hold."""

    def __init__(self, state: State) -> None:
        super().__init__()
        self._state = state
        self._numbers: dict[Station, int] = {}

    def source(self, source: Station) -> int:
        """Return the number of a source; -1 when there are too many, which ends the loop for good."""
        number = self._numbers.get(source)
        if number is None:
            if len(self._numbers) >= MOST_SOURCES:
                self._state.is_full = True
                return -1
            number = self._numbers[source] = len(self._numbers)
        return number

    def answer(self, sequence: int | None) -> None:
        """Take an acknowledgement."""
        if self._state.is_full:
            self._take_over()
            super().answer(sequence)
        else:
            memory.answer(self._state.s, self._state.heard, -1 if sequence is None else sequence)

    def see(
        self, source: Station, number: int, time_ns: int | None, sequence: int | None, contents: bytes,
        *, copied: bool = True,
    ) -> Again:  # fmt: skip
        """Return what a frame repeats; its number is told as its own."""
        state = self._state
        mark = state.digest(contents)
        one = -1 if state.is_full else self.source(source)
        if one < 0:
            self._take_over()
            return super().see(source, number, time_ns, sequence, mark, copied=copied)  # type: ignore[arg-type]  # what has a hash
        time = p.NO_TIME if time_ns is None else time_ns
        counted = -1 if sequence is None else sequence
        repeated, is_copy = memory.was_heard(state.heard, one, time, counted, mark, copied)
        if repeated >= 0:
            state.s[p.LAST_HEARD] = repeated
            return Again(repeats=number)
        memory.hear(state.s, state.heard, one, time, counted, mark, number)
        return Again(copied=Copied(number, None, 0)) if is_copy else Again()

    def _take_over(self) -> None:
        """Go on with the last frames of each source that the arrays hold."""
        heard = {
            source: LastFrames(self._state.last_heard(one)) for source, one in self._numbers.items()
        }
        for source in sorted(
            heard, key=lambda one: heard[one].frames[-1].number if heard[one].frames else 0
        ):
            self._sources[source] = heard[source]
        last = int(self._state.s[p.LAST_HEARD])
        if last >= 0:
            number = int(self._state.heard[last + p.H_NUMBER])
            self._last = next(
                (
                    (seen, one)
                    for seen in heard.values()
                    for one in seen.frames
                    if one.number == number
                ),
                None,
            )
            self._state.s[p.LAST_HEARD] = -1
        self._numbers.clear()
