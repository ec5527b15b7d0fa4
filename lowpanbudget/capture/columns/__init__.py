"""Whole captures counted by columns: frames that are alike are read once, and counted by a loop over arrays."""
