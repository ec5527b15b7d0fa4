"""Captured frames: their files, the way through them, and what they sum up to or are turned into."""
