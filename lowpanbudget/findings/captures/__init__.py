"""Rules about captures: what frames prove, subject by subject."""
