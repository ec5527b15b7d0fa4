"""What there is in the layers of a capture's frames: headers, payload, sealed octets, or what could not be read."""

from itertools import groupby
from operator import attrgetter

from lowpanbudget.bits import Nature
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.survey import note_nature


class LayerNatures:
    """Notes what there is in each layer, by its name (``known``); of frames that are alike once for all."""

    def __init__(self) -> None:
        self.known: dict[str, Nature] = {}

    def see(self, sighting: Sighting) -> None:
        """Note what there is in the layers of a record."""
        template, known = sighting.template, self.known
        for span in () if sighting.opened is None else sighting.opened.spans:
            note_nature(known, span.layer, span.nature)
        if template is None:
            frame = sighting.contents
        elif template.facts.get(_SEEN) is self:
            return
        else:
            template.facts[_SEEN] = self
            frame = template.example
        for nature, run in groupby(() if frame is None else frame.spans, _NATURE):
            for layer in dict.fromkeys(map(_LAYER, run)):  # a set has another order in each process
                if known.get(layer) is not _HEADER:
                    note_nature(known, layer, nature)


_LAYER, _NATURE = attrgetter("layer"), attrgetter("nature")
_HEADER = Nature.HEADER
_SEEN = object()  # who has seen a template's layers, among its facts
