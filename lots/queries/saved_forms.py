"""What one person has begun and put aside."""

from __future__ import annotations

from django.contrib.auth.models import AbstractBaseUser
from django.db.models import QuerySet

from lots import clock
from lots.models import KeptForm


def kept_forms(user: AbstractBaseUser) -> QuerySet[KeptForm]:
    """What this person kept and has not expired, the latest first."""
    return KeptForm.objects.filter(user_id=user.pk, expires_at__gt=clock.now())


def kept_form(user: AbstractBaseUser, address: str) -> KeptForm | None:
    """What is kept of the form at this address."""
    return kept_forms(user).filter(address=address).first()
