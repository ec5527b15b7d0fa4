"""How much fits, and what would make more fit: ledgers, knobs, messages in frames."""
