"""The cliffs of many paths: where one octet more costs another frame, without encoding all those frames for each."""

from lowpanbudget.design.path import FlowPath
from lowpanbudget.room.measure import cliffs, frames_of


class FurtherFrames:
    """Finds cliffs up to so many ``frames``.

    What frames between the first and the last carry depends on what the link leaves of a frame and on how it cuts, and
    on no header of the datagram. So what one frame more adds is measured once for all paths that agree in both. For
    each path one frame and two are encoded, to the last octet and one more, and then the largest payload that its last
    frame is to take: as no frame between adds more, those between cannot be elsewhere. Where this does not hold, as
    where a datagram ends sooner, every cliff is encoded.
    """

    def __init__(self, frames: int) -> None:
        self._frames = frames
        self._added: dict[tuple[int, bool], int] = {}

    def cliffs(self, path: FlowPath, room: int) -> list[tuple[int, int]]:
        """Return what ``measure.cliffs`` returns for a path and its room."""
        near = cliffs(path, room, 2)
        added = self._adds(path, room) if [count for _, count in near] == [1, 2] else 0
        further = (
            [(near[1][0] + added * more, 2 + more) for more in range(1, self._frames - 1)]
            if added
            else []
        )
        if further and frames_of(path, further[-1][0]) == self._frames:
            return [*near, *further]
        return cliffs(path, room, self._frames)

    def _adds(self, path: FlowPath, room: int) -> int:
        """Return the octets that one frame more adds behind the second; 0 where there is no third."""
        key = path.link_room, path.link.recoverable
        if key not in self._added:
            steps = cliffs(path, room, 3)
            self._added[key] = steps[2][0] - steps[1][0] if len(steps) > 2 else 0
        return self._added[key]
