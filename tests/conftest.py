"""What holds for every test: no example has a deadline, for a busy machine is no fault of the code."""

import functools
import sys

import asn1tools.parser
from hypothesis import settings

settings.register_profile("lowpanbudget", deadline=None)
settings.load_profile("lowpanbudget")

# Rewriting the asserts of 100 modules costs each worker seconds: they are kept, whatever the environment says.
sys.dont_write_bytecode = False

# The grammar of ASN.1 is built for each module that is compiled, which takes longer than reading the module.
asn1tools.parser.create_grammar = functools.cache(asn1tools.parser.create_grammar)
