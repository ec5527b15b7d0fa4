"""The layout language: a header as its standard draws it, read to decode, encode, size, explain and survey.

choice.py        fields of a word: plain bits, and choices that say what follows it in line
word.py          a word of bits, big- or little-endian; form.py: one with its rows chosen, before it is written
parts.py         what a word cannot say: octets.py, addresses.py, repeats.py, padded.py, limited.py
keyed.py         what the fields of words are called in a value
layout.py        words and parts in order, and the value that they make
structure.py     a layout as a class
alternatives.py  one of several layouts
tagged.py        a family of layouts told apart by their type
patterns.py      what a first octet says
source.py        a layout as a Python function: its source; compiled.py, straight.py: which ones are made, and kept
stream.py        runs of bits of any width across the ends of octets, for headers and sensor messages
listing.py       all of it as plain text
packet.py        a packet read: heads in wire order, and the headers restored from them
"""

from lowpanbudget.fields.addresses import Address, Prefix
from lowpanbudget.fields.alternatives import Either, Selected, Selection
from lowpanbudget.fields.choice import (
    BY_RULE,
    CONTEXT,
    IN_LINE,
    LINE,
    LINK,
    RULE,
    Bits,
    Choice,
    Chosen,
    Fit,
    Meaning,
    Restore,
    Row,
    Use,
)
from lowpanbudget.fields.form import WordForm
from lowpanbudget.fields.layout import Layout
from lowpanbudget.fields.limited import Extended, Limited, NoValue, ShortNumber, TextString
from lowpanbudget.fields.listing import (
    Contents,
    Gloss,
    Line,
    ListedLayout,
    Listing,
    of_layout,
    of_selection,
    of_tagged,
)
from lowpanbudget.fields.octets import OctetString, Unsigned
from lowpanbudget.fields.packet import (
    Head,
    Packet,
    Restored,
    read_head,
    restored_fields,
    ruled,
)
from lowpanbudget.fields.padded import PaddedString, Zeros
from lowpanbudget.fields.parts import (
    Drawing,
    LayoutPart,
    Order,
    Values,
    key_of,
    within,
)
from lowpanbudget.fields.patterns import Pattern, Patterns
from lowpanbudget.fields.repeats import Repeat
from lowpanbudget.fields.stream import BitReader, BitWriter
from lowpanbudget.fields.structure import (
    SelectedRows,
    Sent,
    WholeValue,
    WireValue,
    bits,
    has_layout,
    layout_of,
    outer,
    part,
    stated_by,
    structure,
    unused,
)
from lowpanbudget.fields.tagged import OptionList, Tagged, UnknownOption, length_bits
from lowpanbudget.fields.word import KEPT, Header

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
    "BitWriter",
    "Bits",
    "Choice",
    "Chosen",
    "Contents",
    "Drawing",
    "Either",
    "Extended",
    "Fit",
    "Gloss",
    "Head",
    "Header",
    "Layout",
    "LayoutPart",
    "Limited",
    "Line",
    "ListedLayout",
    "Listing",
    "Meaning",
    "NoValue",
    "OctetString",
    "OptionList",
    "Order",
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
    "SelectedRows",
    "Selection",
    "Sent",
    "ShortNumber",
    "Tagged",
    "TextString",
    "UnknownOption",
    "Unsigned",
    "Use",
    "Values",
    "WholeValue",
    "WireValue",
    "WordForm",
    "Zeros",
    "bits",
    "has_layout",
    "key_of",
    "layout_of",
    "length_bits",
    "of_layout",
    "of_selection",
    "of_tagged",
    "outer",
    "part",
    "read_head",
    "restored_fields",
    "ruled",
    "stated_by",
    "structure",
    "unused",
    "within",
)
