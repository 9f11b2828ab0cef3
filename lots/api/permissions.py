"""Who may call the API: people of the works, by role; customers only what is made for them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rest_framework.permissions import SAFE_METHODS, BasePermission
from rest_framework.request import Request

from lots.models import Party, Person
from lots.queries.roles import OFFICE, role_of_user

if TYPE_CHECKING:  # the framework's views import this module while they load
    from rest_framework.views import APIView


def role_of(request: Request) -> str | None:
    """The signed-in person's role, or None for a stranger. Superusers act as managers."""
    return role_of_user(request.user)


class WorksStaff(BasePermission):
    """Any role of the works may read; a view's `writers` (roles) may write, all staff if absent."""

    message = "This is for people of the works."

    def has_permission(self, request: Request, view: APIView) -> bool:
        role = role_of(request)
        if role is None or role == Person.Role.CUSTOMER:
            return False
        if request.method in SAFE_METHODS:
            return True
        writers = getattr(view, "writers", None)
        return writers is None or role in writers


class WorksOffice(WorksStaff):
    """Only accountants and managers, for reading too."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        return role_of(request) in OFFICE


class StaffOrCustomer(WorksStaff):
    """Customers may read too; the view limits them to what is theirs."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        if request.method in SAFE_METHODS and role_of(request) == Person.Role.CUSTOMER:
            return True
        return super().has_permission(request, view)


def customer_looking(request: Request) -> Party | None:
    """The customer who is signed in; None for people of the works."""
    if not request.user.is_authenticated:
        return None
    person = (
        Person.objects.filter(user_id=request.user.pk, role=Person.Role.CUSTOMER)
        .select_related("party")
        .first()
    )
    return person.party if person else None
