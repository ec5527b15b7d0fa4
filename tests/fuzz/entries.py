"""All entries of the fuzzer: a new one stands in the module of its subject, its first inputs in ``seeds``."""

from fuzz import (
    applications,
    captures,
    commands,
    datagrams,
    designs,
    frames,
    messages,
    private_files,
    sequences,
)
from fuzz.registry import ENTRIES, OUTCOMES

__all__ = ["ENTRIES", "OUTCOMES", "SUBJECTS"]
SUBJECTS = (
    frames,
    datagrams,
    sequences,
    applications,
    captures,
    designs,
    messages,
    private_files,
    commands,
)
