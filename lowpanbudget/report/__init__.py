"""Results to text: plain data that every renderer shares, then the terminal and JSON. Nothing here computes a result."""
