"""Which role a signed-in person has, and which roles may do what only some of the works do."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, Final

from config.refusals import refuse
from lots.models import Movement, Person

_ROLE = Person.Role
OFFICE: Final = frozenset({_ROLE.ACCOUNTANT.value, _ROLE.MANAGER.value})
MANAGING: Final = frozenset({_ROLE.MANAGER.value})
ASSAYING: Final = OFFICE | {_ROLE.ASSAYER.value}
WRITING_OFF: Final = OFFICE | {_ROLE.OPERATOR.value}
# What only some may record, only they may take back; anything else any of the staff may.
_REVERSED_BY: Final = {
    Movement.Kind.OPENING.value: OFFICE,
    Movement.Kind.CHANGE_OF_OWNER.value: OFFICE,
    Movement.Kind.CLAIM.value: OFFICE,
    Movement.Kind.COUNT_ADJUSTMENT.value: OFFICE,
    Movement.Kind.ASSAY_DIFFERENCE.value: ASSAYING,
    Movement.Kind.WRITE_OFF.value: WRITING_OFF,
}


def role_of_user(user: Any) -> str | None:
    """The signed-in person's role, or None for a stranger. Superusers act as managers."""
    if not user.is_authenticated:
        return None
    return role_as(Person.objects.filter(user_id=user.pk).first(), user)


def role_as(person: Person | None, user: Any) -> str | None:
    """The role of a signed-in user who is that person of the works, or nobody of it."""
    if person is not None:
        return person.role
    return _ROLE.MANAGER.value if user.is_superuser else None


def named(roles: Collection[str]) -> str:
    """The roles as a sentence begins with them: “An accountant, an assayer or a manager”."""
    words = [f"{'an' if role[0] in 'aeiou' else 'a'} {role}" for role in sorted(roles)]
    said = " or ".join(filter(None, [", ".join(words[:-1]), words[-1]]))
    return said[0].upper() + said[1:]


def may_reverse(movement: Movement, role: str | None) -> bool:
    """Whether a person of the works with this role may take the movement back."""
    roles = _REVERSED_BY.get(movement.kind)
    return roles is None or role in roles


def check_may_reverse(movement: Movement, role: str | None) -> None:
    """Raises ForbiddenError `reversal_not_yours`."""
    if may_reverse(movement, role):
        return
    raise refuse(
        "reversal_not_yours",
        field="movement",
        value=movement.sequence,
        movement=movement.get_kind_display(),
        reversed_by=", ".join(sorted(_REVERSED_BY[movement.kind])),
    )
