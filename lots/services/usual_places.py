"""The places that most works have are ticked on a list instead of being typed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Final

from config.refusals import refuse
from lots.declaration.event import Asks, Event
from lots.ledger.recording import Act, recorded_once
from lots.models import Place
from lots.people.roles import OFFICE
from lots.services.reference import PlaceDetails, create_place

_AREA: Final = Place.Area
USUAL: Final = (
    ("Feed shelf", _AREA.FEED_STORE),
    ("Melt bench", _AREA.MELT_SHOP),
    ("Wet bench", _AREA.WET_BENCH),
    ("Carboy rack", _AREA.ELECTROLYTE),
    ("Slimes cabinet", _AREA.SLIMES_STORE),
    ("Fine safe", _AREA.FINE_STORE),
    ("Quarantine drawer", _AREA.QUARANTINE),
    ("Assay drawer", _AREA.LABORATORY),
    ("Waste shed", _AREA.WASTE_STORE),
)
_OFFERED: Final = [(name, f"{name} ({area.label.lower()})") for name, area in USUAL]


@recorded_once
def add_usual_places(
    *, names: Annotated[Sequence[str], Asks("Places there are", choices=_OFFERED)], act: Act
) -> Place:
    """Adds the usual places of these names that are not there yet; the last one is returned.

    Raises InvalidError `unknown_choice`, `nothing_ticked`.
    """
    areas = {name: area for name, area in USUAL if name in names}
    if not areas or len(areas) < len(set(names)):
        raise refuse("nothing_ticked", field="names")
    known = {place.name: place for place in Place.objects.filter(name__in=areas)}
    for name, area in areas.items():
        if name not in known:
            details = PlaceDetails(name=name, area=area)
            known[name] = create_place(details=details, act=replace(act, key=""))
    return known[next(reversed(areas))]


def place_for(area: str, act: Act) -> Place:
    """A place of that area, for what is put on the books without one: made when there is none."""
    place = Place.objects.filter(area=area, is_active=True).order_by("id").first()
    if place is not None:
        return place
    name = next((name for name, usual in USUAL if usual == area), str(Place.Area(area).label))
    made: Place = create_place(details=PlaceDetails(name=name, area=area), act=replace(act, key=""))
    return made


USUAL_PLACES: Final = Event(
    add_usual_places,
    at="",
    page_at="reference/places/usual",
    name="usual-places",
    about="Add the places that most works have.",
    title="Usual places",
    lead="Untick what you have not. Each can be renamed, and others added, at any time. A cell is "
    "a place of its own.",
    button="Add them",
    done="Added.",
    roles=OFFICE,
    when="",
    why="",
    lands="places",
    begins=lambda _: {"names": [name for name, _ in USUAL]},
)
