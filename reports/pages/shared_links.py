"""Links that show one thing without a sign-in, for the office: made, listed, revoked."""

from __future__ import annotations

from typing import Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from lots import clock
from lots.pages.lists import filtered, paged_address
from lots.people.access import office_page
from reports.api.lists import SharedLinkList
from reports.models import SharedLink
from reports.queries.shared_links import is_open

FILTERS_FIRST: Final = ("customer", "settlement", "lot", "revoked")


@office_page
def link_list(request: HttpRequest) -> HttpResponse:
    links = SharedLink.objects.select_related(
        "customer", "settlement", "lot", "created_by", "revoked_by"
    )
    chosen, page = filtered(request, SharedLinkList.filterset_class, links)
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
