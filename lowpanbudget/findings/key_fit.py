"""Keys under which no frame of a PAN opens, whoever sent it: it is the key file then that does not fit, and no node."""

from collections.abc import Collection, Iterator

from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import plural
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.key_users import KeyName
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.senders import Station
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.values import dataclass, field

# our choices: a node alone may have the wrong key, and fewer frames than that may be damaged
_LEAST_SENDERS = 2
_LEAST_FRAMES = 5

_KEY = "the key of the key file"
_DEVICES = "the EUI-64s that it has for short addresses"
_SLOTS = "the slot numbers of the capture"
_CHECK = (
    "Look at the key file before the nodes: is it that of this network, and of this time? Compare the octets of the "
    "key, their order, its index and source{devices}. Of another network, whose keys nobody gave you, nothing is wrong."
)


@dataclass(slots=True)
class _Fit:
    """Frames that fail under a key in a PAN: how many, of whom, and what their nonces are made of."""

    senders: FirstNamed[Station, str] = field(default_factory=FirstNamed)
    frames: int = 0
    has_short: bool = False
    has_slots: bool = False
    is_open: bool = False

    def hits(self, key: KeyName, own: Collection[str] | None = None) -> Iterator[Hit]:
        """Yield what is to be said of each sender instead of what was; nothing where the key opens a frame.

        A network beside that of the key has its own: that its frames stay sealed is no fault of anybody but of nodes
        that are heard in their ``own``.
        """
        few = own is None and len(self.senders) < _LEAST_SENDERS
        if self.is_open or few or self.frames < _LEAST_FRAMES:
            return
        others = [_DEVICES] * self.has_short + [_SLOTS] * self.has_slots
        what = f"{' or '.join([_KEY, *others])} {'do' if others else 'does'} not fit this network"
        share = f"none of {plural(self.frames, 'frame')} of {plural(len(self.senders), 'node')} under {key} opens"
        cause = f"{share}: {what}"
        advice = _CHECK.format(devices=", and each line of [devices]" if self.has_short else "")
        severity = Severity.FAILURE if own is None else Severity.REMARK
        for name in self.senders.values():
            if own is None or name not in own:
                yield Hit(cause, (), name, severity=severity, advice=advice, restates=True)


class KeyFits(FirstNamed[tuple[int | None, KeyName], _Fit]):
    """By PAN and the key that frames name."""

    def fail(self, station: Station, name: str, key: KeyName, security: Security) -> None:
        """Take a frame that fails."""
        fit = self.entry((station[0], key), _Fit)
        if fit is not None:
            fit.senders.entry(station, lambda: name)
            fit.frames += 1
            fit.has_short |= len(station[1]) == 2
            fit.has_slots |= security.is_by_slot

    def succeed(self, pan: int | None, key: KeyName) -> None:
        """Take a frame that opens."""
        fit = self.entry((pan, key), _Fit)
        if fit is not None:
            fit.is_open = True

    def hits(self, design: Design | None) -> Iterator[Hit]:
        """Yield what the end proves: a key is of the design's network, without one of those whose frames it opens."""
        opening = {key for (_, key), fit in self.items() if fit.is_open}
        beside = {
            (pan, key)
            for pan, key in self
            if (key in opening if design is None else not design.link.is_of_network(pan))
        }
        fits = (fit for of, fit in self.items() if of not in beside or fit.is_open)
        own = {name for fit in fits for name in fit.senders.values()}
        for (pan, key), fit in self.items():
            yield from fit.hits(key, own if (pan, key) in beside else None)
