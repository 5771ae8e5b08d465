"""Draws the state machine of a lamp test from its table, as Mermaid text for the documentation.

Shown is what can lead from one phase to another; what a phase takes in and stays in is left out, as the picture would
have more loops than arrows. ``python -m lampwarden.daemon.procedure.diagram`` prints it.
"""

import itertools
import re
import sys
from typing import Final

from .progress import Phase
from .table import TABLE

BEGIN: Final = "<!-- state diagram: made by daemon/procedure/diagram.py -->"
END: Final = "<!-- end of the state diagram -->"


def mermaid() -> str:
    """The diagram, without the fence around it; ends without a line break."""
    arrows: dict[tuple[Phase, Phase], list[str]] = {}
    for (phase, kind), row in TABLE.items():
        for target in row.targets - {phase}:
            arrows.setdefault((phase, target), []).append(_words(kind.__name__))
    lines = ["stateDiagram-v2", f"    [*] --> {Phase.PREPARE.value}"]
    pairs = itertools.product(Phase, Phase)
    lines += [f"    {a.value} --> {b.value}: {', '.join(sorted(arrows[a, b]))}" for a, b in pairs if (a, b) in arrows]
    ends = sorted(phase.value for phase in Phase if not any(source is phase for source, _ in arrows))
    lines += [f"    {phase} --> [*]" for phase in ends]
    return "\n".join(lines)


def fenced() -> str:
    """What stands in the documentation, markers included."""
    return f"{BEGIN}\n```mermaid\n{mermaid()}\n```\n{END}"


def _words(name: str) -> str:
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name).lower()


if __name__ == "__main__":
    sys.stdout.write(fenced() + "\n")
