"""OSCORE (RFC 8613): the option, security contexts, protecting and opening messages."""
