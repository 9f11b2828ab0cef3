"""Lists and single things of the office: settlements, money, terms, questions, links; read only."""

from __future__ import annotations

from typing import Any, Final

import django_filters as filters
from django.urls import reverse
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from lots.api.fields import ShownMetals, shown_name
from lots.api.listed import Span, listed, shows
from lots.metals import Metal
from lots.models import Lot
from lots.people.permissions import WorksOffice
from reports.models import (
    AccessRecord,
    ContractTerms,
    MetalPrice,
    Payment,
    Settlement,
    SettlementQuestion,
    SharedLink,
)

PaymentSerializer: Final = shows(
    "Payment",
    Payment,
    "code customer settlement direction amount currency reference paid_at reverses reversed_by "
    "recorded_by recorded_at note",
    "Money paid to a customer or received from one; `reversed_by` takes it back.",
    reversed_by=shown_name("reversed_by.code"),
    recorded_by="recorded_by.username",
)
PriceSerializer: Final = shows(
    "Price", MetalPrice, "id metal per_unit price currency from_date source"
)
TermsSerializer: Final = shows(
    "Terms",
    ContractTerms,
    "id customer form number valid_from content note recorded_by recorded_at",
    "One version of a customer's terms; a blank form means all forms.",
    recorded_by="recorded_by.username",
    form=serializers.CharField(read_only=True),
)
SettlementSerializer: Final = shows(
    "Settlement",
    Settlement,
    "code lot customer kind state terms_version payable total currency supersedes movement "
    "prepared_by prepared_at approved_by approved_at one_person note version",
    "A settlement's head: what is payable, what is due (positive to the customer), who signed.",
    terms_version="contract_terms",
    payable=ShownMetals(source="payable_ug"),
    prepared_by="prepared_by.username",
    approved_by=shown_name("approved_by.username"),
)
QuestionSerializer: Final = shows(
    "SettlementQuestion",
    SettlementQuestion,
    "id lot settlement customer question state asked_at recorded_by answer draft reply "
    "answered_by answered_at version",
    "A question, what the books said when it came, a reply drafted from that, and the reply.",
    recorded_by="recorded_by.username",
    answered_by=shown_name("answered_by.username"),
)
_LINK: Final = (
    "id customer settlement lot note created_at created_by expires_at revoked_at revoked_by reads "
    "last_read_at"
)
_BY: Final[dict[str, Any]] = {
    "created_by": "created_by.username",
    "revoked_by": shown_name("revoked_by.username"),
}
SharedLinkSerializer: Final = shows(
    "SharedLink", SharedLink, _LINK, "A link without its token, which is not kept.", **_BY
)


@extend_schema_field({"type": "string", "nullable": True})
class _Address(serializers.Field[Any, Any, Any, Any]):
    """The address of a link just made."""

    def to_representation(self, link: Any) -> str | None:
        token = getattr(link, "token", None)
        if token is None:
            return None
        address: str = self.context["request"].build_absolute_uri(reverse("shared", args=[token]))
        return address


NewLinkSerializer: Final = shows(
    "NewLink",
    SharedLink,
    f"{_LINK} address",
    "`address` is given this once: a repeated request gets the link with null in its place.",
    address=_Address(source="*", read_only=True),
    **_BY,
)

LISTS: Final[dict[str, Any]] = {
    "payments": listed(
        PaymentSerializer,
        {
            "customer": "customer__code",
            "settlement": "settlement__code",
            "direction": Payment.Direction,
            "currency": "currency",
            "reversed": filters.BooleanFilter(
                field_name="reversed_by", lookup_expr="isnull", exclude=True
            ),
            "paid": Span("paid_at"),
        },
        search="code reference customer__name settlement__code note",
        orders="paid_at code amount",
        order="-paid_at -id",
        coded=True,
    ),
    "prices": listed(
        PriceSerializer,
        {
            "metal": Metal,
            "currency": "currency",
            "from_day": filters.DateFilter(field_name="from_date", lookup_expr="gte"),
            "before_day": filters.DateFilter(field_name="from_date", lookup_expr="lt"),
        },
        search="source",
        orders="from_date metal",
        order="-from_date metal id",
    ),
    "terms": listed(
        TermsSerializer,
        {
            "customer": "customer__code",
            "form": Lot.Form,
            "valid_from_day": filters.DateFilter(field_name="valid_from", lookup_expr="gte"),
            "valid_before_day": filters.DateFilter(field_name="valid_from", lookup_expr="lt"),
        },
        search="customer__code customer__name note",
        orders="valid_from number",
        order="customer__name form -valid_from -number id",
    ),
    "settlements": listed(
        SettlementSerializer,
        {
            "lot": "lot__code",
            "customer": "customer__code",
            "kind": Settlement.Kind,
            "state": Settlement.State,
            "prepared": Span("prepared_at"),
        },
        related="contract_terms__customer",
        search="code lot__code customer__name note",
        orders="prepared_at approved_at code total",
        order="-prepared_at -id",
        coded=True,
    ),
    "settlement-questions": listed(
        QuestionSerializer,
        {
            "lot": "lot__code",
            "settlement": "settlement__code",
            "customer": "customer__code",
            "state": SettlementQuestion.State,
            "asked": Span("asked_at"),
        },
        search="question reply lot__code",
        orders="asked_at answered_at state",
        order="-asked_at -id",
    ),
    "shared-links": listed(
        SharedLinkSerializer,
        {
            "customer": "customer__code",
            "settlement": "settlement__code",
            "lot": "lot__code",
            "revoked": filters.BooleanFilter(
                field_name="revoked_at", lookup_expr="isnull", exclude=True
            ),
            "expires": Span("expires_at"),
        },
        search="settlement__code lot__code customer__name note",
        orders="created_at expires_at last_read_at reads",
        order="-created_at -id",
        permission=WorksOffice,
    ),
    "access-records": listed(
        shows(
            "AccessRecord",
            AccessRecord,
            "id read_at user link customer what reference form",
            user=shown_name("user.username"),
        ),
        {
            "customer": "customer__code",
            "user": "user__username",
            "link": filters.NumberFilter(field_name="link_id", min_value=1, max_value=2**62),
            "what": AccessRecord.What,
            "reference": "reference",
            "read": Span("read_at"),
        },
        search="reference user__username customer__name",
        orders="read_at",
        order="-read_at -id",
        permission=WorksOffice,
    ),
}
