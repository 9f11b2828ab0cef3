"""The admin: for superusers alone."""

from __future__ import annotations

from django.contrib.admin import AdminSite
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest


class SuperusersSite(AdminSite):
    def has_permission(self, request: HttpRequest) -> bool:
        """Strangers are sent to sign in; who is signed in and no superuser is told, not sent."""
        if not request.user.is_authenticated:
            return False
        if not request.user.is_superuser:
            raise PermissionDenied
        return True
