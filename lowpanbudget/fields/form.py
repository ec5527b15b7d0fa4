"""A word with the rows that were chosen for it: what a writer has decided, before anything is written."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from lowpanbudget.bits import Writer
from lowpanbudget.fields.choice import Choice, Chosen
from lowpanbudget.fields.word import Header


class WordForm(NamedTuple):
    """A word, each choice of it with its row and value in the order of the wire, and the ``values`` of other fields."""

    word: Header
    chosen: tuple[tuple[Choice, Chosen, Any], ...]
    values: Mapping[str, int] = {}

    @property
    def octets(self) -> int:
        """Return how many octets it takes."""
        octets = self.word.octets
        for _, chosen, _ in self.chosen:
            octets += len(chosen.octets)
        return octets

    def write(self, writer: Writer) -> None:
        """Append the word and what its choices carry in line."""
        codes = {choice.name: chosen.row.code for choice, chosen, _ in self.chosen}
        self.word.write(writer, {**self.values, **codes})
        for choice, chosen, value in self.chosen:
            choice.write(writer, chosen, value)
