"""One command, one table: how the daemon does beside peers and limits, all measured in the same run.

``python tests/benchmarks/run.py [--short] [--only KEY …] [--json FILE] [--markdown]``. Needs the extra ``bench`` (peers
and psutil) and Mosquitto; what is missing is said in its row. ``--short`` is the form for CI: fewer repeats, and the
exit code is 1 when a figure has fallen below 0.7 of its goal, or when something happened that never may.
"""

import argparse
import json
import sys
import time
import traceback
from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import figures
import footprint
import growth
import many
import outgoing
import pace
import virtual
import wires
from broker import MOSQUITTO, mosquitto
from table import Row, load, machine, markdown, plain

GROUPS: dict[str, Callable[[int, bool], list[Row]]] = {
    "pace": lambda port, short: pace.rows(port, short=short),
    "side by side": lambda _, short: [wires.side_by_side(short=short)],
    "outgoing": lambda port, short: outgoing.rows(port, short=short),
    "spectrum": lambda _, short: [wires.spectrum(short=short)],
    "poll": lambda _, short: [wires.poll(short=short)],
    "photons": lambda _, short: [figures.photons(short=short)],
    "search": lambda _, short: figures.search(short=short),
    "idle": lambda port, short: footprint.idle(port, short=short),
    "start": lambda port, short: footprint.starts(port, short=short),
    "virtual": lambda _, short: virtual.rows(short=short),
    "growth": lambda _, short: growth.rows(short=short),
    "many": lambda port, short: many.rows(port, short=short),
}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--short", action="store_true", help="for CI: fewer repeats; exit 1 below 0.7 of a goal")
    parser.add_argument("--only", action="append", choices=sorted(GROUPS), help="these groups of rows only")
    parser.add_argument("--json", type=Path, help="write the rows to a file as well")
    parser.add_argument("--markdown", action="store_true", help="print the table as it stands in the README")
    options = parser.parse_args()
    if MOSQUITTO is None:
        sys.stderr.write("mosquitto is not installed: the rows that need a broker cannot be taken\n")
        return 2
    began, before = time.monotonic(), load()
    rows: list[Row] = []
    broken: list[str] = []
    for name in options.only or GROUPS:
        group_began = time.monotonic()
        try:
            with mosquitto() as port:
                rows += GROUPS[name](port, options.short)
        except Exception:  # noqa: BLE001 - the other rows are worth having
            broken.append(name)
            traceback.print_exc()
        sys.stderr.write(f"{name}: {time.monotonic() - group_began:.0f} s\n")
    head = (
        f"{machine()}; mean run queue {before} before, {load()} after; {datetime.now(UTC):%Y-%m-%d}, "  # noqa: TID251
        f"{'short form, ' if options.short else ''}{time.monotonic() - began:.0f} s"
    )
    sys.stdout.write(f"{head}\n\n{markdown(rows) if options.markdown else plain(rows)}\n")
    if options.json is not None:
        found = {"machine": head, "short": options.short, "rows": [{**asdict(row), "share": row.share} for row in rows]}
        options.json.write_text(json.dumps(found, indent=1, ensure_ascii=False), encoding="utf-8")
    failed = [row.key for row in rows if row.failed] + broken
    if failed:
        sys.stderr.write(f"below {0.7:g} of the goal, or not taken: {', '.join(failed)}\n")
    return 1 if failed and (options.short or broken) else 0


if __name__ == "__main__":
    sys.exit(main())
