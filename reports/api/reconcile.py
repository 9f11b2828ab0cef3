"""Reconciliation of any network of nodes and streams through the API."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from config.refusals import refuse
from lots.models import ApiToken
from reports.statistics.network import NAME_MAX, solve_network

# More would take longer than a request should; see the benchmark of the engine for larger ones.
STREAMS_MAX: Final = 1_000
COVARIANCES_MAX: Final = 20_000


class StreamSerializer(serializers.Serializer[Any]):
    """A flow from one node to another; null is outside the network."""

    name = serializers.CharField(max_length=NAME_MAX)

    def get_fields(self) -> dict[str, Any]:
        # `from` is a word of the language, so the field can't be declared by name.
        end = {"max_length": NAME_MAX, "required": False, "allow_null": True}
        return {
            **super().get_fields(),
            "from": serializers.CharField(**end),  # type: ignore[arg-type]
            "to": serializers.CharField(**end),  # type: ignore[arg-type]
        }


class FlowMeasurementSerializer(serializers.Serializer[Any]):
    """A measured flow with `u`, its standard uncertainty, or `variance`; zero makes it exact."""

    stream = serializers.CharField(max_length=NAME_MAX)
    value = serializers.FloatField()
    u = serializers.FloatField(required=False, min_value=0)
    variance = serializers.FloatField(required=False, min_value=0)


class CovarianceSerializer(serializers.Serializer[Any]):
    a = serializers.CharField(max_length=NAME_MAX)
    b = serializers.CharField(max_length=NAME_MAX)
    covariance = serializers.FloatField()


class ConstraintSerializer(serializers.Serializer[Any]):
    """A further linear relation between streams, such as a charge balance of two metals."""

    name = serializers.CharField(max_length=NAME_MAX, required=False)
    coefficients = serializers.DictField(child=serializers.FloatField())
    value = serializers.FloatField(required=False, default=0)


class NetworkSerializer(serializers.Serializer[Any]):
    """Nodes at which what goes in comes out, and what was measured. All figures share one unit."""

    nodes = serializers.ListField(child=serializers.CharField(max_length=NAME_MAX))
    streams = StreamSerializer(many=True)
    measurements = FlowMeasurementSerializer(many=True)
    covariances = CovarianceSerializer(many=True, required=False)
    constraints = ConstraintSerializer(many=True, required=False)
    non_negative = serializers.BooleanField(required=False, default=False)
    alpha = serializers.FloatField(
        required=False, default=0.05, help_text="The level of the tests, over all of them together."
    )
    unit = serializers.CharField(required=False, help_text="For the sentences.")
    advice = serializers.CharField(required=False, help_text="For the sentences: what to do first.")


class ReconciledSerializer(serializers.Serializer[Any]):
    """One stream: measured and reconciled, each with its standard uncertainty, and its test.

    `standing` says whether anything checks the figure. `equivalent` names streams that no test can
    tell from this one.
    """

    stream = serializers.CharField()
    measured = serializers.FloatField(allow_null=True)
    u_before = serializers.FloatField(allow_null=True)
    reconciled = serializers.FloatField(allow_null=True)
    adjustment = serializers.FloatField(allow_null=True)
    u_after = serializers.FloatField(allow_null=True)
    standing = serializers.CharField()
    standing_in_words = serializers.CharField()
    at_bound = serializers.BooleanField()
    z = serializers.FloatField(allow_null=True)
    p_sidak = serializers.FloatField(allow_null=True)
    p_holm = serializers.FloatField(allow_null=True)
    flagged = serializers.BooleanField()
    equivalent = serializers.ListField(child=serializers.CharField())


class BalanceResidualSerializer(serializers.Serializer[Any]):
    name = serializers.CharField()
    residual_measured = serializers.FloatField(allow_null=True)


class GlobalTestSerializer(serializers.Serializer[Any]):
    """The chi-square test of all measurements together."""

    statistic = serializers.FloatField()
    dof = serializers.IntegerField()
    limit = serializers.FloatField(allow_null=True)
    p_value = serializers.FloatField(allow_null=True)
    failed = serializers.BooleanField()
    alpha = serializers.FloatField()


class NodalTestSerializer(serializers.Serializer[Any]):
    balances = serializers.ListField(child=serializers.CharField())
    residual = serializers.FloatField()
    u = serializers.FloatField()
    z = serializers.FloatField()
    p_sidak = serializers.FloatField()
    p_holm = serializers.FloatField()
    flagged = serializers.BooleanField()


class EquivalentSerializer(serializers.Serializer[Any]):
    stream = serializers.CharField()
    bias = serializers.FloatField()


class SuspectSerializer(serializers.Serializer[Any]):
    """A measurement to doubt: by how much it reads high (positive) or low, and how sure that is."""

    stream = serializers.CharField()
    bias = serializers.FloatField()
    u = serializers.FloatField()
    z = serializers.FloatField()
    equivalent = EquivalentSerializer(many=True)
    rivals = serializers.ListField(child=serializers.CharField())
    sentence = serializers.CharField()


class LeftSerializer(serializers.Serializer[Any]):
    statistic = serializers.FloatField()
    dof = serializers.IntegerField()
    p_value = serializers.FloatField(allow_null=True)


class ReconciliationSerializer(serializers.Serializer[Any]):
    """Best estimates, tests and suspects. Nothing is corrected and nothing is recorded."""

    streams = ReconciledSerializer(many=True)
    balances = BalanceResidualSerializer(many=True)
    converged = serializers.BooleanField()
    global_test = GlobalTestSerializer()
    z_limit = serializers.FloatField(allow_null=True)
    nodal_tests = NodalTestSerializer(many=True)
    suspects = SuspectSerializer(many=True)
    without_suspects = LeftSerializer()
    undetermined = serializers.ListField(child=serializers.ListField(child=serializers.CharField()))
    counts = serializers.DictField(child=serializers.IntegerField())


EXAMPLE: Final[dict[str, Any]] = {
    "nodes": ["splitter", "exchanger", "valve", "mixer"],
    "streams": [
        {"name": "feed", "from": None, "to": "splitter"},
        {"name": "to exchanger", "from": "splitter", "to": "exchanger"},
        {"name": "to valve", "from": "splitter", "to": "valve"},
        {"name": "from exchanger", "from": "exchanger", "to": "mixer"},
        {"name": "from valve", "from": "valve", "to": "mixer"},
        {"name": "product", "from": "mixer", "to": None},
    ],
    "measurements": [
        {"stream": "feed", "value": 101.91, "u": 1},
        {"stream": "to exchanger", "value": 64.45, "u": 1},
        {"stream": "to valve", "value": 34.65, "u": 1},
        {"stream": "from exchanger", "value": 64.20, "u": 1},
        {"stream": "from valve", "value": 36.44, "u": 1},
        {"stream": "product", "value": 98.88, "u": 1},
    ],
}


class ReconcileNetwork(APIView):
    """Reconcile any network of nodes and streams, and name the measurements to doubt."""

    scope = ApiToken.Scope.REPORT

    @extend_schema(
        request=NetworkSerializer,
        responses={
            200: ReconciliationSerializer,
        },
        summary="Reconcile any network of nodes and streams.",
        description=(
            "Weighted least squares over every measurement at once, with the constraint that what "
            "enters a node leaves it; then the chi-square test of all, a test of each measurement "
            "and of each node at one level over all of them, and the measurements most likely to "
            f"be wrong. Nothing is recorded. At most {STREAMS_MAX} streams and {COVARIANCES_MAX} "
            "covariances. Numbers may be JSON numbers or text. A refusal names the place at fault "
            'in `field`, as in "measurements[3].u".'
        ),
        examples=[
            OpenApiExample(
                "Heat exchanger with a bypass",
                value=EXAMPLE,
                request_only=True,
                description=(
                    "Six flows measured with a standard uncertainty of 1, after S. Narasimhan and "
                    "C. Jordache, Data Reconciliation and Gross Error Detection, Gulf 2000, "
                    "chapter 1. Reconciled: 100.22, 64.50, 35.72, 64.50, 35.72, 100.22."
                ),
            )
        ],
    )
    def post(self, request: Request) -> Response:
        payload = request.data
        if not isinstance(payload, Mapping):
            raise refuse("not_an_object")
        covariances = payload.get("covariances")
        if isinstance(covariances, list) and len(covariances) > COVARIANCES_MAX:
            raise refuse(
                "too_many:reconcile",
                field="covariances",
                value=len(covariances),
                covariances_max=COVARIANCES_MAX,
            )
        return Response(solve_network(payload, streams_max=STREAMS_MAX))
