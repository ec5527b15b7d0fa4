"""IPv6 and what it carries, uncompressed."""
