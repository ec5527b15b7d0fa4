"""Headers as tables, bottom to top: octets to named fields and back."""
