"""The command line: one small file per command, one output helper."""
