"""DTLS 1.2 and 1.3 (RFC 6347, RFC 9147): records, their contents, cipher suites, sealing."""
