"""That a customer's data was read is kept: by whom or by which link, what, when, in what form."""

from __future__ import annotations

from django.contrib.auth.models import AbstractBaseUser

from lots import clock
from lots.models import Party
from lots.services.access_log import keeps_readings
from reports.models import AccessRecord, SharedLink


@keeps_readings
def record_access(
    *,
    customer: Party | None,
    what: str,
    reference: str,
    form: str,
    user: AbstractBaseUser | None = None,
    link: SharedLink | None = None,
) -> AccessRecord | None:
    """Keeps one reading by a signed-in `user` or through a `link`.

    None is kept for what is no customer's. Readings are no part of the ledger and take no lock.
    """
    if customer is None or customer.is_house:
        return None
    assert (user is None) != (link is None)
    return AccessRecord.objects.create(
        read_at=clock.now(),
        user_id=None if user is None else user.pk,
        link=link,
        customer=customer,
        what=what,
        reference=reference,
        form=form,
    )
