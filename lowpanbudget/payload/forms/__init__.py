"""The same values in other encodings: what is general about each."""
