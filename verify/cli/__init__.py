"""The command: one file a command, arguments and exits only."""
