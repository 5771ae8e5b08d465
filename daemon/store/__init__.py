"""The store: every durable record on disk before anybody hears of it, and what brings it back when a disk is not well.

``journal`` is what the daemon uses; ``journal_file`` is the SQLite below it; ``archive`` keeps finished tests as files;
``upkeep`` bounds the size; ``recovery`` and ``salvage`` mend.
"""
