"""The command line: parse options, call, render, exit code. Each command is a module of its own, loaded when used."""
