"""The link layer: IEEE 802.15.4 frames, information elements and security."""
