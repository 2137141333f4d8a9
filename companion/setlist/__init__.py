"""The set list: its file format, play rules, checks and line-exact errors."""
