"""The command line: ``app`` and its groups of commands, and the views that print in a terminal.

Nothing outside this room may import from it.
"""
