"""Which people are not as the record of what was done to them says."""

from __future__ import annotations

from collections.abc import Iterator

from lots.models import Person, PersonChange

Row = dict[str, object]


def people_not_as_recorded() -> Iterator[Row]:
    """Each person whose role, customer or state no act on record gave them.

    Who was there before the record began has none until the first change.
    """
    said: dict[int, tuple[object, ...]] = {}
    first_added = None
    changes = PersonChange.objects.order_by("id")
    for person_id, what, *stood in changes.values_list(
        "person_id", "what", "role", "party_id", "is_active"
    ):
        said[person_id] = tuple(stood)
        if first_added is None and what == PersonChange.What.ADDED:
            first_added = person_id
    people = Person.objects.order_by("id").values_list(
        "id", "user__username", "role", "party_id", "user__is_active"
    )
    for person_id, username, *stands in people:
        if person_id in said:
            if said[person_id] != tuple(stands):
                yield {"person_id": person_id, "username": username, "found": "not as recorded"}
        elif first_added is not None and person_id > first_added:
            yield {"person_id": person_id, "username": username, "found": "never recorded"}
