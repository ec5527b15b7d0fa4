"""The layout language: a header as its standard draws it, read to decode, encode, size, explain and survey.

word.py      a word of bits, big- or little-endian, and the choices that say what follows it in line
parts.py     what a word cannot say: octets, addresses, prefixes, repeats
layout.py    words and parts in order, and the value that they make; one of several layouts by length
tagged.py    a family of layouts told apart by their type
patterns.py  what a first octet says
packet.py    a packet read: heads in wire order, and the headers restored from them
"""

from lowpanbudget.fields.layout import (
    Either,
    Layout,
    Selected,
    Selection,
    bits,
    has_layout,
    layout_of,
    outer,
    part,
    structure,
)
from lowpanbudget.fields.listing import (
    Contents,
    Line,
    Listed,
    Listing,
    of_layout,
    of_selection,
    of_tagged,
)
from lowpanbudget.fields.packet import Head, Packet, Restored, restored_fields, ruled
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
from lowpanbudget.fields.stream import BitReader
from lowpanbudget.fields.tagged import OptionList, Tagged, UnknownOption, length_bits
from lowpanbudget.fields.word import (
    BY_RULE,
    CONTEXT,
    IN_LINE,
    KEPT,
    LINE,
    LINK,
    RULE,
    Bits,
    Choice,
    Chosen,
    Fit,
    Header,
    Meaning,
    Restore,
    Row,
    Use,
)

__all__ = (
    "BY_RULE",
    "CONTEXT",
    "IN_LINE",
    "KEPT",
    "LINE",
    "LINK",
    "RULE",
    "Address",
    "BitReader",
    "Bits",
    "Choice",
    "Chosen",
    "Contents",
    "Drawing",
    "Either",
    "Fit",
    "Head",
    "Header",
    "Layout",
    "LayoutPart",
    "Line",
    "Listed",
    "Listing",
    "Meaning",
    "OctetString",
    "OptionList",
    "Packet",
    "PaddedString",
    "Pattern",
    "Patterns",
    "Prefix",
    "Repeat",
    "Restore",
    "Restored",
    "Row",
    "Selected",
    "Selection",
    "Tagged",
    "UnknownOption",
    "Unsigned",
    "Use",
    "Values",
    "Zeros",
    "bits",
    "has_layout",
    "layout_of",
    "length_bits",
    "of_layout",
    "of_selection",
    "of_tagged",
    "outer",
    "part",
    "place",
    "restored_fields",
    "ruled",
    "structure",
    "within",
)
