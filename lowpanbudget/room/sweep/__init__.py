"""Sweeps: the rooms of all settings of a design, added up from parts that were really encoded."""
