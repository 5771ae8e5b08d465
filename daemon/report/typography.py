"""What belongs together stays on one line: figures and their units, uncertainties, moments. Pure; knows no markup.

It is done with spaces that do not break (U+00A0), which searching and copying take for spaces.
"""

import re
from typing import Final

NBSP: Final = "\u00a0"

_UNITS: Final = "µmol|µmol/J|mW|W|V|A|Hz|%|°C|K|nm|mm|m|ms|s|min|h|hPa|J"
_TOGETHER: Final = (
    (re.compile(rf"(?<=\d) (?=(?:{_UNITS})(?![\w/]))"), NBSP),  # 10 s
    (re.compile(r"(?<=[\w/⁻¹²³]) (?=\w{1,2}⁻[¹²³])"), NBSP),  # µmol m⁻² s⁻¹
    (re.compile(r"(?<=\d) ± (?=\d)"), f"{NBSP}±{NBSP}"),
    (re.compile(r"(?<=\d) × (?=\d)"), f"{NBSP}×{NBSP}"),
    (re.compile(r"(?<=\u00a0min) (?=\d+\u00a0s\b)"), NBSP),  # 12 min 30 s
    (re.compile(r"\b([kp]) = (?=\d)"), rf"\1{NBSP}={NBSP}"),
    (re.compile(r"(\d{4}-\d\d-\d\d) (?=\d\d:\d\d)"), rf"\1{NBSP}"),
    (re.compile(r"(\d\d:\d\d(?::\d\d)?) (?=UTC\b)"), rf"\1{NBSP}"),
)


def unbroken(text: str) -> str:
    """Text in which no line ends between a figure and its unit."""
    for pattern, together in _TOGETHER:
        text = pattern.sub(together, text)
    return text
