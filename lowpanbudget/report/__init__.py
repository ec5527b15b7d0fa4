"""Results to text: plain data that every renderer shares, then the terminal and JSON. Nothing is computed here."""
