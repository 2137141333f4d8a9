"""The commands. Everything heavy is imported inside the command that needs it."""
