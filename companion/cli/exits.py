"""Exit statuses of every command."""

OK = 0
# The input or the world is at fault; said in one line on standard error.
FAULT = 1
# Wrong use of the command line.
USAGE = 2
# Ctrl-C, as shells count it.
INTERRUPTED = 130
