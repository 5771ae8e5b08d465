"""What counts at each spot, told for one spot and for all."""

from random import Random

from lampwarden.daemon.procedure.progress import Choice, Leg
from support.benches import note, progress


def test_all_spots_at_once_say_what_each_spot_says() -> None:
    chance = Random(4)  # noqa: S311 - a test needs no secret
    spots = progress().grid.spots()
    for _ in range(200):
        tries: dict[str, int] = {}
        notes = []
        for _ in range(chance.randint(0, 15)):
            spot = chance.choice(spots)
            tries[spot] = tries.get(spot, 0) + 1
            leg = chance.choice((Leg.SPOT, Leg.SPOT, Leg.SPOT, Leg.CLOSING))
            notes.append(note(spot, tries[spot], leg=leg, undisturbed=chance.random() < 0.7))
        choices = tuple(
            Choice(spot=spot, attempt=chance.randint(1, 3), reason="so") for spot in spots if chance.random() < 0.3
        )
        now = progress(attempts=tuple(notes), choices=choices)
        each = [now.counted(Leg.SPOT, spot) for spot in spots]
        assert now.counting() == [found for found in each if found is not None]
        assert now.spots_done() == len(now.counting())
