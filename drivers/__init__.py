"""Instruments: how they are spoken to, and what the daemon may ask of them.

From below: ``codecs`` (bytes and messages, no I/O), ``links`` (move bytes), readers and sessions (``*_reader.py``,
``*_session.py``: exchanges, retries), drivers of roles (``reader.py``, ``spectrometer.py``, ``foot_switch.py``),
profiles (``profile.py``, ``profile_drivers.py``, the folder ``profiles``), ``registry.py`` (drivers by name) and
``instruments.py`` (what the daemon holds), each run where ``runner.py`` says. Imports ``protocol`` at most.
"""
