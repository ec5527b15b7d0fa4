"""How a network carries the frames of a design: time on the air, energy, loads, delivery."""
