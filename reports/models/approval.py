"""That one person both prepared and approved something, where the works said it is one person's."""

from __future__ import annotations

from typing import ClassVar, Final

from django.db import models
from django.db.models import F, Q

from lots.models.sealed import Sealed

ONE_PERSON: Final = "{} by the same person: this works is run by one person."


class Approval(Sealed):
    """A row that takes two people, or one where the works was one person's then.

    What was decided so says so for good, whatever the works says later.
    """

    by_one_person = models.BooleanField(
        default=False,
        db_default=False,
        help_text="The same person did both: the works was run by one person then.",
    )
    # The two acts, as words say them.
    acts: ClassVar[str] = "Prepared and approved"

    class Meta:
        abstract = True

    @property
    def one_person(self) -> str:
        """What every showing of it says when one person did both; else empty."""
        return ONE_PERSON.format(self.acts) if self.by_one_person else ""


def two_people(name: str, first: str, second: str) -> models.CheckConstraint:
    """Whoever did the first did not do the second, unless the row says that one person did both."""
    return models.CheckConstraint(
        condition=Q(**{f"{second}__isnull": True})
        | Q(by_one_person=True, **{second: F(first)})
        | Q(by_one_person=False) & ~Q(**{second: F(first)}),
        name=name,
    )
