"""The people of the works and their record, as the API shows them to managers."""

from __future__ import annotations

from typing import Any, Final

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from lots.api.fields import shown_name
from lots.api.listed import listed, shows
from lots.models import Person, PersonChange
from lots.people.people import ADD
from lots.people.people_pages import link_address
from lots.people.permissions import WorksManager
from lots.people.ways_in import GIVE_PASSWORD, MAKE_LINK

_SHOWN: Final = "id username name email role party is_active must_change_password last_sign_in"
_FOUND: Final[dict[str, Any]] = {
    "username": "user.username",
    "name": "user.get_full_name",
    "email": "user.email",
    "is_active": serializers.BooleanField(source="user.is_active", read_only=True),
    "last_sign_in": serializers.DateTimeField(
        source="user.last_login", read_only=True, allow_null=True
    ),
}
PersonSerializer: Final = shows("Person", Person, _SHOWN, "Somebody who signs in.", **_FOUND)


@extend_schema_field({"type": "string", "nullable": True})
class _Told(serializers.Field[Any, Any, Any, Any]):
    """The link or the password just made."""

    def to_representation(self, person: Any) -> str | None:
        told: str | None = getattr(person, str(self.field_name), None)
        if told is not None and self.field_name == "link":
            return link_address(self.context["request"], told)
        return told


ToldSerializer: Final = shows(
    "PersonTold",
    Person,
    f"{_SHOWN} link password",
    "`link` or `password` lets them in once. It is told this once: null in a repeated answer.",
    link=_Told(source="*", read_only=True),
    password=_Told(source="*", read_only=True),
    **_FOUND,
)
ANSWERS_OF_PEOPLE: Final[dict[Any, Any]] = {
    Person: PersonSerializer,
    ADD: ToldSerializer,
    MAKE_LINK: ToldSerializer,
    GIVE_PASSWORD: ToldSerializer,
}
LISTS_OF_PEOPLE: Final = {
    "people": listed(
        PersonSerializer,
        {
            "user": "user__username",
            "role": Person.Role,
            "party": "party__code",
        },
        related="user party",
        search="user__username user__first_name user__last_name",
        orders="user__username role",
        order="user__username",
        about="The people of the works and of its customers, for managers.",
        permission=WorksManager,
    ),
    "person-changes": listed(
        shows(
            "PersonChange",
            PersonChange,
            "id person user what role party is_active name at by note",
            "An act on a person, and how they stood from then on. `by` is null where a command on "
            "the machine did it.",
            user="person.user.username",
            by=shown_name("by.username"),
        ),
        {"user": "person__user__username", "what": PersonChange.What},
        related="person__user party by",
        search="person__user__username note",
        orders="at",
        order="-id",
        about="Who changed what about whom, latest first, for managers.",
        permission=WorksManager,
    ),
}
