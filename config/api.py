"""What every API list and refusal has in common: paging, strict filters, one shape of problem."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.db import DatabaseError
from django.db.models import Model, QuerySet
from django.http import Http404, HttpRequest
from django_filters.rest_framework import DjangoFilterBackend
from rest_framework import exceptions, status
from rest_framework.filters import OrderingFilter
from rest_framework.pagination import PageNumberPagination
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView, exception_handler

from config.database_trouble import names_nothing, refusal_of_database
from config.refusals import (
    NotTakenError,
    RefusalError,
    TooLargeError,
    TooManyError,
    refuse,
    shorten,
)
from config.running.request_record import note_refusal

GENERAL_PARAMETERS = frozenset({"page", "page_size", "ordering", "search", "format"})


class NumberedPages(PageNumberPagination):
    """Pages of 50 unless asked otherwise, 500 at most."""

    page_size_query_param = "page_size"
    max_page_size = 500


class StrictFilterBackend(DjangoFilterBackend):
    """Filters by the view's filter set; a parameter nobody knows is refused, not ignored."""

    def filter_queryset(
        self, request: Request, queryset: QuerySet[Model], view: APIView
    ) -> QuerySet[Model]:
        filterset = self.get_filterset(request, queryset, view)
        known = set(GENERAL_PARAMETERS) | set(getattr(view, "extra_parameters", ()))
        if filterset is not None:
            known |= set(filterset.filters)
            known |= {
                f"{name}_{suffix}"
                for name, each in filterset.filters.items()
                for suffix in getattr(each.field.widget, "suffixes", ()) or ()
            }
        unknown = sorted(set(request.query_params) - known)
        if unknown:
            raise refuse(
                "unknown_filter",
                field=unknown[0],
                value=request.query_params[unknown[0]],
                known=", ".join(sorted(known)),
            )
        if filterset is None:
            return queryset
        if not filterset.is_valid():
            raise exceptions.ValidationError(
                {
                    name: [
                        exceptions.ErrorDetail(message, code=error.code or "invalid")
                        for error in errors
                        for message in error.messages
                    ]
                    for name, errors in filterset.form.errors.as_data().items()
                }
            )
        filtered: QuerySet[Model] = filterset.qs
        return filtered


class StrictOrdering(OrderingFilter):
    """Ordering by the view's `ordering_fields` only; anything else is refused."""

    def get_ordering(self, request: Request, queryset: Any, view: APIView) -> Any:
        asked = request.query_params.get(self.ordering_param, "")
        fields = [field.strip() for field in asked.split(",") if field.strip()]
        allowed = set(getattr(view, "ordering_fields", ()) or ())
        unknown = [field for field in fields if field.lstrip("-") not in allowed]
        if unknown:
            raise refuse(
                "unknown_ordering",
                field="ordering",
                value=unknown[0],
                allowed=", ".join(sorted(allowed)),
            )
        return super().get_ordering(request, queryset, view)


def answer_problem(error: Exception, context: dict[str, Any]) -> Response | None:
    """Every refusal as `{code, field, value, message, remedy}`, with its HTTP status."""
    answer = _answer(error, context)
    if answer is not None and isinstance(answer.data, dict):
        note_refusal(str(answer.data.get("code", "")))
    return answer


def _answer(error: Exception, context: dict[str, Any]) -> Response | None:
    if isinstance(error, TooManyError):
        headers = {"Retry-After": str(error.wait_s)}
        return Response(error.as_problem(), status=error.status, headers=headers)
    if isinstance(error, exceptions.ValidationError):
        problems = _flatten(error.get_full_details())
        return Response({**problems[0], "problems": problems}, status=error.status_code)
    if isinstance(error, DatabaseError) and (refusal := refusal_of_database(error)):
        headers = (
            {"Retry-After": "1"} if refusal.status == status.HTTP_503_SERVICE_UNAVAILABLE else {}
        )
        return Response(refusal.as_problem(), status=refusal.status, headers=headers)
    if isinstance(error, RequestDataTooBig):
        error = TooLargeError(settings.UPLOAD_BYTES_MAX)
    if isinstance(error, exceptions.UnsupportedMediaType):
        error = _not_taken(context)
    if isinstance(error, RefusalError):
        return Response(error.as_problem(), status=error.status)
    if isinstance(error, SuspiciousOperation):
        return Response(
            _problem("invalid", None, "This request can't be understood.", ""),
            status=status.HTTP_400_BAD_REQUEST,
        )
    if names_nothing(error, context["request"].path):
        error = Http404()
    if isinstance(error, Http404):
        return Response(
            _problem("unknown", None, "There is no such thing here.", "Check the address."),
            status=status.HTTP_404_NOT_FOUND,
        )
    if isinstance(error, PermissionDenied):
        error = exceptions.PermissionDenied()
    answer = exception_handler(error, context)
    if answer is not None and isinstance(error, exceptions.APIException):
        code = error.get_codes()
        answer.data = _problem(
            code if isinstance(code, str) else error.default_code, None, str(error.detail), ""
        )
    return answer


def _not_taken(context: dict[str, Any]) -> NotTakenError:
    taken = " or ".join(each.media_type for each in context["view"].parser_classes)
    return NotTakenError(
        "A body of this kind is not taken here.",
        field="Content-Type",
        value=context["request"].content_type,
        remedy=f"Send {taken}.",
    )


def is_api(request: HttpRequest) -> bool:
    return request.path.startswith("/api/")


def _problem(code: str, field: str | None, message: str, remedy: str) -> dict[str, str | None]:
    return {"code": code, "field": field, "value": None, "message": message, "remedy": remedy}


def _flatten(details: Any, path: str = "") -> list[dict[str, str | None]]:
    """DRF's nested validation details as a flat list of problems with dotted field names."""
    if isinstance(details, dict) and set(details) == {"message", "code"}:
        return [
            _problem(str(details["code"]), path or None, shorten(str(details["message"]), 300), "")
        ]
    found: list[dict[str, str | None]] = []
    if isinstance(details, dict):
        for key, value in details.items():
            name = path if key == "non_field_errors" else f"{path}.{key}".lstrip(".")
            found += _flatten(value, name)
    elif isinstance(details, list):
        nested = any(isinstance(each, dict) and "code" not in each for each in details)
        for index, value in enumerate(details):
            found += _flatten(value, f"{path}.{index}".lstrip(".") if nested else path)
    return found or [_problem("invalid", path or None, "This input is not valid.", "")]
