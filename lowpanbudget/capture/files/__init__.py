"""Captures as files: their formats, what link types wrap around a frame, and writing them."""
