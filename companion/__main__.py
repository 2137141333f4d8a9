"""`python -m companion`."""

from companion.cli.main import main

main()
