"""Datagrams of which the capture itself cut a fragment off: whether they became whole is not seen."""

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.recent import Recent
from lowpanbudget.stack.events import Discarded, TimedOut
from lowpanbudget.stack.fragment_key import FragmentKey

_MOST = 8192  # that are remembered


class CutDatagrams:
    """Remembers the datagrams of the fragments that were cut off, until it is told what became of the rest."""

    def __init__(self) -> None:
        self._open = Recent[FragmentKey, None](_MOST)

    def see(self, sighting: Sighting) -> None:
        """Remember the datagram of a fragment that was cut off."""
        template = sighting.template
        if sighting.cut and template is not None and template.fragment is not None:
            self._open.renew(FragmentKey.of(template.example, template.fragment), None)

    def end(self, event: TimedOut | Discarded) -> bool:
        """Return whether a datagram that never became whole here is one of them; forget it."""
        if event.key not in self._open:
            return False
        del self._open[event.key]
        return True
