"""lampwarden: bench daemon for comparing horticultural lamps."""

__version__ = "0.1.0"
