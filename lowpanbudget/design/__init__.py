"""What a person plans: link, contexts, stations, flows and messages, read from one TOML file."""
