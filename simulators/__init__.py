"""Simulated instruments and the physics behind them, for tests, demonstrations and campaigns without a lamp.

``scenario``   everything that makes one bench differ from another, as one frozen value
``bench``      :class:`~.bench.SimulatedBench`: world, instruments, the person's actions, the truth, the certificates
``operator``   the person at the bench, driven by prompts
``ports``      serves the instruments on pseudo-terminals and TCP sockets, in real time
``rfc2217_port``  the same through RFC 2217, for breaks, line settings and modem lines
``usb_ports``  serves the USB ones on a virtual USB bus (USB/IP)
``serving``    :class:`~.serving.ServedBench`: the whole bench on ports, opened and closed as one thing
``faults``     what can go wrong with an instrument or its port, by name

The world, closed in time so that any instant can be asked in any order: ``mains``, ``ripple``, ``lamp``, ``tent``,
``field`` (light over the grid), ``spectrum``, ``post`` (where the sensors stand). What instruments make of it:
``quantum``, ``camera`` (spectrometer), ``meters``. How they talk, written from the standards and sharing nothing with
the drivers: ``sdi12``, ``modbus``, ``scpi`` (with ``scpi_spectrometer`` and ``scpi_meter``), ``scpi_serial``,
``usbtmc``, ``hid``, ``talkers``, all behind the two interfaces of ``device``. All
chance comes from ``seeds``.

Nothing here imports the daemon or the drivers, and everything simulated says so: in identifications, in serial
numbers, in certificates.
"""
