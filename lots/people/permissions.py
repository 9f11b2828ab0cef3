"""Who may call the API: people of the works, by role; customers only what is made for them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rest_framework.permissions import SAFE_METHODS, BasePermission
from rest_framework.request import Request

from config.refusals import refuse
from lots.models import ApiToken, Party, Person
from lots.people.roles import MANAGING, OFFICE, role_of_user

if TYPE_CHECKING:  # the framework's views import this module while they load
    from rest_framework.views import APIView


def role_of(request: Request) -> str | None:
    """The signed-in person's role, or None for a stranger. Superusers act as managers."""
    return role_of_user(request.user)


def scope_needed(request: Request, view: APIView) -> str:
    """What a token must be for: a view's own `scope`, else by what it does and who may do it."""
    own: str | None = getattr(view, "scope", None)
    if own is not None:
        return own
    if request.method in SAFE_METHODS:
        return ApiToken.Scope.READ
    writers = getattr(view, "writers", None)
    is_offices = writers is not None and writers <= OFFICE
    return ApiToken.Scope.ADMINISTER if is_offices else ApiToken.Scope.RECORD


def check_scope(request: Request, view: APIView) -> None:
    """Raises ForbiddenError `token_out_of_scope`; who is signed in without a token has no limit."""
    if not isinstance(request.auth, ApiToken):
        return
    needed = scope_needed(request, view)
    if needed not in request.auth.scopes:
        raise refuse("token_out_of_scope", value=needed)


class AnyRole(BasePermission):
    """Whoever has a part in the works, customers too; the view limits them to what is theirs."""

    message = "This is for people of the works and their customers."

    def has_permission(self, request: Request, view: APIView) -> bool:
        check_scope(request, view)
        return role_of(request) is not None


class WorksStaff(BasePermission):
    """Any role of the works may read; a view's `writers` (roles) may write, all staff if absent."""

    message = "This is for people of the works."

    def has_permission(self, request: Request, view: APIView) -> bool:
        check_scope(request, view)
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
        check_scope(request, view)
        return role_of(request) in OFFICE


class WorksManager(WorksStaff):
    """Only managers, for reading too."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        check_scope(request, view)
        return role_of(request) in MANAGING


class StaffOrCustomer(WorksStaff):
    """Customers may read too; the view limits them to what is theirs."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        check_scope(request, view)
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
