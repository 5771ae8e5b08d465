"""The procedure of a lamp test.

- ``progress``: where a test stands; small, frozen, stored with every step.
- ``events``: what can happen to a test, and what a step asks of the shell.
- ``table``: the state machine (phase × event → rule) and the pure :func:`~lampwarden.daemon.procedure.table.step`.
- ``prompts``: what to tell the operator in each phase.
- ``reading``: turns one window's samples into a spot record.
- ``tuning``: dark readings and the integration-time search, against the spectrometer.
- ``conclude``: turns the spot records of a test into its summary.
- ``checkpoint``: what is stored with every step, and how a later daemon reads it.
- ``telling``: status and live messages.
- ``conductor``: the shell; runs the machine, performs what it asks for, and writes the journal.
"""
