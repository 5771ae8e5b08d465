"""Where the daemon meets the simulators: a simulated bench, the demonstration, campaigns in virtual time.

The only room of the daemon that imports :mod:`lampwarden.simulators`.
"""
