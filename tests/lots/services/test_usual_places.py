"""The usual places are ticked."""

from __future__ import annotations

from lots.models import Place
from lots.services.usual_places import USUAL, add_usual_places


def test_those_that_are_ticked_are_added_once(works, act):
    names = [name for name, _ in USUAL]
    before = Place.objects.count()
    # The works has a feed shelf already.
    add_usual_places(names=["Feed shelf", "Waste shed"], act=act())
    assert Place.objects.count() == before + 1
    last = add_usual_places(names=names, act=act())
    assert last.name == names[-1]
    assert all(Place.objects.filter(name=name).count() == 1 for name in names)
    assert Place.objects.get(name="Waste shed").area == "waste_store"


def test_none_or_an_unusual_one_is_refused(works, act, refused):
    for names in ([], ["Moon"], ["Fine safe", "Moon"]):
        with refused("nothing_ticked", "names"):
            add_usual_places(names=names, act=act())
