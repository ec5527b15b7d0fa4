"""The layout language: a header as its standard draws it, read to decode, encode, size, explain and survey."""

from lowpanbudget.fields.patterns import Pattern, Patterns
from lowpanbudget.fields.word import KEPT, Bits, Choice, Chosen, Fit, Header, Meaning, Restore, Row

__all__ = (
    "KEPT",
    "Bits",
    "Choice",
    "Chosen",
    "Fit",
    "Header",
    "Meaning",
    "Pattern",
    "Patterns",
    "Restore",
    "Row",
)
