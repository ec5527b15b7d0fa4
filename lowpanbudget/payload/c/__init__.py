"""C source for the node: general parts and templates."""
