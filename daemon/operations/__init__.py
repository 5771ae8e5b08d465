"""What keeps a daemon in service: logs, metrics, status, the service manager, clocks that are watched, sample files."""
