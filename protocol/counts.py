"""Counts in words, for whoever tells a person: "1 archive", "2 archives"."""


def counted(count: int, one: str, many: str | None = None) -> str:
    """A number and its noun.

    Args:
        count: How many.
        one: The noun of one thing, with whatever belongs to it.
        many: That of several, where it is not ``one`` with an s.
    """
    return f"{count} {one if count == 1 else many or one + 's'}"
