"""CoAP (RFC 7252): messages, options with their registry, codes, and what is wrong with a message."""
