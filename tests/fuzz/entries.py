"""All entries of the fuzzer, gathered: to add one, write it in the module of its subject, its first inputs in ``seeds``."""

from fuzz import applications, captures, datagrams, frames, sequences
from fuzz.registry import ENTRIES, OUTCOMES

__all__ = ["ENTRIES", "OUTCOMES", "SUBJECTS"]
SUBJECTS = (frames, datagrams, sequences, applications, captures)
