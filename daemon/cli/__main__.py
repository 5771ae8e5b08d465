"""``python -m lampwarden.daemon.cli``: the command line where the program is not on the path."""

from .app import main

main()
