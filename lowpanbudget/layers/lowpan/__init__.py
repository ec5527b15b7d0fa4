"""6LoWPAN: the adaptation layer between the link and IPv6."""
