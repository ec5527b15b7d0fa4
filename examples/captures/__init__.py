"""What the example captures are made of: a channel, and the traffic of each design with its planted faults."""
