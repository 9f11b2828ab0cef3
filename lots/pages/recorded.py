"""After a step: the page it leads to, and the one line that says what was recorded."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final

from django.db.models import Model
from django.urls import reverse
from django.utils.html import format_html, format_html_join
from django.utils.http import urlencode
from django.utils.safestring import SafeString

from lots import display
from lots.models import Lot, Movement
from lots.people.roles import may_reverse, role_of_user

AT_ONCE: Final = "Taken back at once by the person who recorded it"
LOTS_NAMED: Final = 4
_KIND: Final = Movement.Kind
# Closes, deliveries and what was approved: these are taken back from their own page, with a reason.
NEVER_AT_ONCE: Final = frozenset(
    {
        _KIND.BATCH_CLOSE,
        _KIND.RUN_CLOSE,
        _KIND.SHIPMENT,
        _KIND.RETURN,
        _KIND.CLAIM,
        _KIND.COUNT_ADJUSTMENT,
        _KIND.REVERSAL,
    }
)


def page_of(recorded: Any) -> str:
    """The lot that what was recorded is about.

    Of several lots or none it is the movement's receipt, as it is of a reversal.
    """
    made = getattr(recorded, "movement", None) or getattr(recorded, "lot", None) or recorded
    if isinstance(made, Movement):
        codes = set() if made.reverses_id else set(_codes(made))
        if len(codes) == 1:
            return reverse("lot", args=[*codes])
        return reverse("movement", args=[made.sequence])
    assert isinstance(made, Lot), f"no page for {type(recorded).__name__}"
    return reverse("lot", args=[made.code])


def _codes(movement: Movement) -> Iterator[str]:
    yield from movement.standings.values_list("lot__code", flat=True)
    yield from movement.entries.filter(lot__isnull=False).values_list("lot__code", flat=True)


def told(done: str, movement: Movement | None, user: Any) -> str | SafeString:
    """What was recorded in one line, its movement and the way back a link away."""
    if movement is None:
        return done
    links = [(reverse("movement", args=[movement.sequence]), "What was recorded")]
    is_own = movement.recorded_by_id == user.pk and may_reverse(movement, role_of_user(user))
    if is_own and movement.kind not in NEVER_AT_ONCE:
        links.append((f"{links[0][0]}?{urlencode({'reason': AT_ONCE})}#take-back", "Take it back"))
    return format_html(
        "{} {} {}", done, _line(movement), format_html_join(" · ", '<a href="{}">{}</a>', links)
    )


def told_of(done: str, withdrawn_at: str, recorded: Model) -> SafeString:
    """As `told`, for what no movement says, such as a reading; its withdrawal is the way back."""
    address = f"{reverse(withdrawn_at, args=[recorded.pk])}?{urlencode({'reason': AT_ONCE})}"
    return format_html('{} {}. <a href="{}">Take it back</a>', done, recorded, address)


def _line(movement: Movement) -> SafeString | str:
    """Each lot that gained, with how much; of a movement that only took, each that gave."""
    rows = list(movement.material_entries.select_related("lot").order_by("id"))
    gained = [row for row in rows if row.mass_ug > 0 or row.volume_ul > 0]
    shown: Sequence[Any] = (gained or rows)[:LOTS_NAMED]
    if not shown:
        return ""
    parts = [
        (
            reverse("lot", args=[row.lot.code]),
            row.lot.code,
            display.litres(row.volume_ul) if row.volume_ul else display.grams(row.mass_ug),
        )
        for row in shown
    ]
    more = len(gained or rows) - len(shown)
    said = format_html_join(", ", '<a class="code" href="{}">{}</a> {}', parts)
    return format_html("{}{}.", said, f" and {more} more" if more else "")
