"""What a format costs, could save, and may become."""
