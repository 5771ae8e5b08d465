"""Lines on which almost everything goes wrong: no figure is believed as that of another quantity or of an earlier time.

The short form of ``tests/support/line_study.py``, which says what is drawn and what no reader can tell.
"""

import pytest
from support.faulty_line import Figures
from support.line_study import WIRES, run

SEEDS = 8


@pytest.mark.parametrize("wire", WIRES)
def test_reader_believes_nothing_wrong_and_reads_again_after_the_last_fault(wire: str) -> None:
    figures = Figures()
    for seed in range(SEEDS):
        run(wire, seed, figures)
    assert not figures.failures
    assert figures.believed > SEEDS
