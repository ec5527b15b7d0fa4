"""The layout language: a header as its standard draws it, read to decode, encode, size, explain and survey.

word.py      a word of bits, big- or little-endian, and the choices that say what follows it in line
parts.py     what a word cannot say: octets, addresses, prefixes, repeats
layout.py    words and parts in order, and the value that they make; one of several layouts by length
tagged.py    a family of layouts told apart by their type
patterns.py  what a first octet says

"""

from lowpanbudget.fields.layout import Either, Layout, bits, layout_of, outer, part, structure
from lowpanbudget.fields.parts import (
    Address,
    Drawing,
    LayoutPart,
    OctetString,
    PaddedString,
    Prefix,
    Repeat,
    Unsigned,
    Values,
    Zeros,
    place,
    within,
)
from lowpanbudget.fields.patterns import Pattern, Patterns
from lowpanbudget.fields.tagged import Options, Tagged, UnknownOption, length_bits
from lowpanbudget.fields.word import KEPT, Bits, Choice, Chosen, Fit, Header, Meaning, Restore, Row

__all__ = (
    "KEPT",
    "Address",
    "Bits",
    "Choice",
    "Chosen",
    "Drawing",
    "Either",
    "Fit",
    "Header",
    "Layout",
    "LayoutPart",
    "Meaning",
    "OctetString",
    "Options",
    "PaddedString",
    "Pattern",
    "Patterns",
    "Prefix",
    "Repeat",
    "Restore",
    "Row",
    "Tagged",
    "UnknownOption",
    "Unsigned",
    "Values",
    "Zeros",
    "bits",
    "layout_of",
    "length_bits",
    "outer",
    "part",
    "place",
    "structure",
    "within",
)
