"""A count sheet, counted blind, and its form to take along."""

from __future__ import annotations

import io
from typing import Final

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from config.pages import to_save
from lots.people.access import role_of, staff_page
from lots.people.roles import OFFICE
from reports.exports.count_form import count_form_table
from reports.exports.workbook import write_workbook
from reports.models import CountAdjustment
from reports.queries.count_sheets import blind_lines
from reports.queries.counts import count_figures
from reports.services.counts import ON_SHEET

# A place with more lots is counted in pages; the form to take along has them all.
LINES_A_PAGE: Final = 100


@staff_page
def sheet_page(request: HttpRequest, code: str) -> HttpResponse:
    """The sheet as the counter may see it; the office sees the differences beside."""
    sheet = ON_SHEET.find({"code": code})
    is_office = role_of(request) in OFFICE
    page = Paginator(blind_lines(sheet), LINES_A_PAGE).get_page(request.GET.get("page"))
    figures = []
    if is_office:
        shown = {line.lot.code for line in page.object_list}
        every = count_figures(sheet.month_end.books_month.first_day)
        figures = [each for each in every if each.sheet == sheet.code and each.lot in shown]
    proposals = CountAdjustment.objects.filter(line__sheet=sheet).select_related(
        "line__lot", "proposed_by", "decided_by"
    )
    return render(
        request,
        "reports/count_sheet.html",
        {
            "section": "months",
            "sheet": sheet,
            "page": page,
            "lines": page.object_list,
            "figures": figures,
            "proposals": proposals if is_office else (),
        },
    )


@staff_page
def count_form(request: HttpRequest, code: str) -> HttpResponse:
    """The sheet's form, without any figure of the book."""
    sheet = ON_SHEET.find({"code": code})
    file = io.BytesIO()
    write_workbook([count_form_table(sheet, blind_lines(sheet))], file)
    return to_save(file.getvalue(), f"count-{sheet.code}.xlsx")
