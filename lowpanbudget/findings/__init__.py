"""What a frame, a capture or a design proves to be wrong, wasteful or risky: one finding a class, worst first."""
