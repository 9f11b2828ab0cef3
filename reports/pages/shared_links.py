"""Links that show one thing without a sign-in, for the office: made, listed, revoked."""

from __future__ import annotations

from typing import Any, Final

from django import forms
from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from lots import clock
from lots.ledger.recording import Act
from lots.models import Lot
from lots.pages.lists import filtered, paged_address
from lots.people.access import lot_for, office_page
from lots.people.roles import OFFICE
from reports.api.shared_links import SharedLinkFilter
from reports.models import Settlement, SharedLink
from reports.pages.month_steps import OfficeForm
from reports.pages.office_step import Crumb, OfficeStep
from reports.pages.settlements import settlement_for
from reports.queries.shared_links import is_open
from reports.services.shared_links import DAYS_MAX, revoke_link, share_link

DAYS_USUAL: Final = 14
FILTERS_FIRST: Final = ("customer", "settlement", "lot", "revoked")


@office_page
def link_list(request: HttpRequest) -> HttpResponse:
    links = SharedLink.objects.select_related(
        "customer", "settlement", "lot", "created_by", "revoked_by"
    )
    chosen, page = filtered(request, SharedLinkFilter, links)
    return render(
        request,
        "reports/links.html",
        {
            "section": "settlements",
            "filter": chosen,
            "first_filters": FILTERS_FIRST,
            "page": page,
            "rows": [(link, is_open(link)) for link in page.object_list],
            "query": paged_address(request),
            "now": clock.now(),
        },
    )


class ShareForm(OfficeForm):
    days = forms.IntegerField(
        label="Days it stays open",
        initial=DAYS_USUAL,
        help_text=f"1 to {DAYS_MAX}. It can be revoked sooner.",
        widget=forms.NumberInput({"inputmode": "numeric", "min": 1, "max": DAYS_MAX}),
    )
    asked_as = {**OfficeForm.asked_as, "settlement": "days", "lot": "days"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["note"].label = "For whom, or why"


class ShareStep(OfficeStep):
    made: SharedLink | None = None
    lead = (
        "Whoever has the address can read this one thing until the link expires or is revoked. "
        "The address is shown once and is not kept."
    )
    button = "Make the link"
    done = "The link is made."
    form_class = ShareForm
    back = ("Links", "links")

    def post(self, request: HttpRequest, *args: Any, **path: Any) -> HttpResponse:
        """Shows the address instead of going on: it must stand in no address bar or log."""
        answer = super().post(request, *args, **path)
        if self.made is None:
            return answer
        token = getattr(self.made, "token", None)
        shown = token and request.build_absolute_uri(reverse("shared", args=[token]))
        context = {"section": self.section, "step": self, "link": self.made, "address": shown}
        answer = render(request, "reports/link_made.html", context)
        answer.headers["Cache-Control"] = "no-store, private, max-age=0"
        return answer

    def perform(self, act: Act, form: Any) -> Model:
        self.made = self.share(act, form.cleaned_data["days"])
        return self.made

    def share(self, act: Act, days: int) -> SharedLink:
        raise AssertionError(f"{type(self).__name__} shares nothing")

    def after(self, recorded: Any) -> str:
        return reverse("links")


class ShareSettlement(ShareStep):
    title = "Share a settlement"

    def find(self, request: HttpRequest, **path: Any) -> Settlement:
        return settlement_for(request, path["code"])

    def crumbs(self) -> list[Crumb]:
        code = self.subject.code
        return [Crumb(code, reverse("settlement", args=[code]), is_code=True)]

    def share(self, act: Act, days: int) -> SharedLink:
        return share_link(settlement=self.subject, days=days, act=act)


class ShareAnswer(ShareStep):
    title = "Share a lot's answer"

    def find(self, request: HttpRequest, **path: Any) -> Lot:
        return lot_for(request, path["code"])

    def crumbs(self) -> list[Crumb]:
        code = self.subject.code
        return [Crumb(code, reverse("lot-answer", args=[code]), is_code=True)]

    def share(self, act: Act, days: int) -> SharedLink:
        return share_link(lot=self.subject, days=days, act=act)


class RevokeForm(OfficeForm):
    asked_as = {**OfficeForm.asked_as, "link": "note"}


class RevokeLink(OfficeStep):
    title = "Revoke a link"
    lead = "It opens nothing from now on, for good."
    button = "Revoke it"
    done = "Revoked. It opens nothing any more."
    form_class = RevokeForm
    roles = OFFICE
    back = ("Links", "links")

    def find(self, request: HttpRequest, **path: Any) -> SharedLink:
        return get_object_or_404(SharedLink, pk=path["pk"])

    def crumbs(self) -> list[Crumb]:
        link = self.subject
        if link.settlement is not None:
            address = reverse("settlement", args=[link.settlement.code])
            return [Crumb(link.settlement.code, address, is_code=True)]
        return [Crumb(link.lot.code, reverse("lot-answer", args=[link.lot.code]), is_code=True)]

    def perform(self, act: Act, form: Any) -> Model:
        return revoke_link(link=self.subject, act=act)

    def after(self, recorded: Any) -> str:
        return reverse("links")
