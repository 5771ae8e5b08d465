"""Fixtures of the durability tests."""

from support.mosquitto import broker

__all__ = ["broker"]
