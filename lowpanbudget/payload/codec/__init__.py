"""A message compiled: from values to octets and back."""
