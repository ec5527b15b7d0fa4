"""Frames followed one after the other: what each holds and completes, with what the ones before it taught."""
