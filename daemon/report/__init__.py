"""Reports: what a test came to and why it can be trusted, as one file that can be handed over.

``markup`` and ``plots`` draw, ``sections`` and ``page`` tell of one test, ``campaign`` of many.
"""

from pathlib import Path


def report_of(journal: Path, test_id: str) -> str:
    """The report of a test as HTML.

    Raises:
        JournalError: There is no such journal or test.
    """
    from ..results.recall import recall  # noqa: PLC0415 - numpy and the records are slow to import
    from .page import report_page  # noqa: PLC0415  as above

    return report_page(recall(journal, test_id))
