"""Captured frames: files of them, what link types wrap around them, the trace through them, and ways out again."""
