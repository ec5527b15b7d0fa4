"""Neighbour discovery (RFC 4861) and what RFC 6775 and RFC 8505 add to it: messages and options."""
