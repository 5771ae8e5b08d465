"""MQTT: from the journal to the broker, commands from it, and the far side of the topics.

``connection`` is one connection, ``outbox`` keeps the order, ``publisher`` joins them; ``broker`` is the embedded one;
``client``, ``listen`` and ``collect`` read what benches publish.
"""
