"""What a person must know before a discharge lamp is struck; told by panel and report, in the same words.

Common practice of electrical and lamp work; it replaces no training and no standard.
"""

from typing import Final

FIRST: Final = (
    "Local electrical codes and a licensed electrician come first. "
    "This bench watches; it switches nothing and protects nobody."
)

_MAINS: Final = (
    "Mains voltage, and igniter pulses of several kilovolts: work on lamp, ballast and wiring only with the supply cut "
    "and locked. Meter leads belong on the ballast's input side, never between igniter and lamp."
)
_GLASS: Final = (
    "Discharge lamps can burst, and a cracked outer bulb lets ultraviolet through: use the fixture's glass or cage and "
    "wear eye protection. Never look into the lamp."
)
_HEAT: Final = (
    "Glass and fixture burn skin and can set things alight: let the lamp cool before you touch or move it, and keep "
    "plants and cloth away."
)
CAUTIONS: Final = (
    _MAINS,
    "Feed the bench through a residual-current device, and earth every metal part.",
    _GLASS,
    _HEAT,
    "A hot lamp does not strike again: do not force it, wait for the cool-down.",
    "Lamps hold mercury: air the room after a breakage, and hand old lamps in as the law asks.",
)
