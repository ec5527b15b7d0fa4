"""RPL control messages (RFC 6550), their options, metrics (RFC 6551) and security section."""
