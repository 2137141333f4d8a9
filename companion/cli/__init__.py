"""The command line: one file a command, or a few that go together.

Nothing is for other rooms here but `main.main`. `main` has the names, options and help of all
commands and imports nothing heavy, so that --help is instant; each command imports what it needs
when it runs. The rooms' exceptions become words here (`saying`), and exit statuses (`exits`).
"""
