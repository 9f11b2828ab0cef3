"""Reconciliation of any network of nodes and streams through the API."""

from __future__ import annotations

from collections.abc import Mapping
from types import UnionType
from typing import Any, Final, get_args

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


_FIELDS: Final[dict[Any, type[serializers.Field[Any, Any, Any, Any]]]] = {
    str: serializers.CharField,
    float: serializers.FloatField,
    int: serializers.IntegerField,
    bool: serializers.BooleanField,
}


def _field(kind: Any, **kwargs: Any) -> Any:
    """A field of a type, a type or None, a list of a type or of a record, or as it is given."""
    if isinstance(kind, list):
        if isinstance(kind[0], list) or kind[0] in _FIELDS:
            return serializers.ListField(child=_field(kind[0]))
        return kind[0](many=True)
    if isinstance(kind, UnionType):
        return _field(get_args(kind)[0], allow_null=True)
    return _FIELDS[kind](**kwargs) if isinstance(kind, type) else kind


def _record(name: str, about: str, fields: dict[str, Any]) -> Any:
    members = {each: _field(kind) for each, kind in fields.items()}
    return type(f"{name}Serializer", (serializers.Serializer,), {**members, "__doc__": about})


def _name(**kwargs: Any) -> serializers.CharField:
    return serializers.CharField(max_length=NAME_MAX, **kwargs)


_Stream: Final = _record(
    "Stream",
    "A flow from one node to another; null is outside the network.",
    {
        "name": _name(),
        "from": _name(required=False, allow_null=True),
        "to": _name(required=False, allow_null=True),
    },
)
_FlowMeasurement: Final = _record(
    "FlowMeasurement",
    "A measured flow with `u`, its standard uncertainty, or `variance`; zero makes it exact.",
    {
        "stream": _name(),
        "value": float,
        "u": serializers.FloatField(required=False, min_value=0),
        "variance": serializers.FloatField(required=False, min_value=0),
    },
)
_Covariance: Final = _record("Covariance", "", {"a": _name(), "b": _name(), "covariance": float})
_Constraint: Final = _record(
    "Constraint",
    "A further linear relation between streams, such as a charge balance of two metals.",
    {
        "name": _name(required=False),
        "coefficients": serializers.DictField(child=serializers.FloatField()),
        "value": serializers.FloatField(required=False, default=0),
    },
)
_Network: Final = _record(
    "Network",
    "Nodes at which what goes in comes out, and what was measured. All figures share one unit.",
    {
        "nodes": serializers.ListField(child=_name()),
        "streams": [_Stream],
        "measurements": [_FlowMeasurement],
        "covariances": _Covariance(many=True, required=False),
        "constraints": _Constraint(many=True, required=False),
        "non_negative": serializers.BooleanField(required=False, default=False),
        "alpha": serializers.FloatField(
            required=False,
            default=0.05,
            help_text="The level of the tests, over all of them together.",
        ),
        "unit": serializers.CharField(required=False, help_text="For the sentences."),
        "advice": serializers.CharField(
            required=False, help_text="For the sentences: what to do first."
        ),
    },
)
_TEST: Final = {"p_sidak": float | None, "p_holm": float | None, "flagged": bool}
_Reconciled: Final = _record(
    "Reconciled",
    """One stream: measured and reconciled, each with its standard uncertainty, and its test.

    `standing` says whether anything checks the figure. `equivalent` names streams that no test can
    tell from this one.
    """,
    {
        "stream": str,
        **dict.fromkeys(
            ("measured", "u_before", "reconciled", "adjustment", "u_after"), float | None
        ),
        "standing": str,
        "standing_in_words": str,
        "at_bound": bool,
        "z": float | None,
        **_TEST,
        "equivalent": [str],
    },
)
_Residual: Final = _record("BalanceResidual", "", {"name": str, "residual_measured": float | None})
_GlobalTest: Final = _record(
    "GlobalTest",
    "The chi-square test of all measurements together.",
    {
        "statistic": float,
        "dof": int,
        "limit": float | None,
        "p_value": float | None,
        "failed": bool,
        "alpha": float,
    },
)
_NodalTest: Final = _record(
    "NodalTest",
    "",
    {
        "balances": [str],
        **dict.fromkeys(("residual", "u", "z", "p_sidak", "p_holm"), float),
        "flagged": bool,
    },
)
_Equivalent: Final = _record("Equivalent", "", {"stream": str, "bias": float})
_Suspect: Final = _record(
    "Suspect",
    "A measurement to doubt: by how much it reads high (positive) or low, and how sure that is.",
    {
        **{"stream": str, "bias": float, "u": float, "z": float},
        "equivalent": [_Equivalent],
        "rivals": [str],
        "sentence": str,
    },
)
_Left: Final = _record("Left", "", {"statistic": float, "dof": int, "p_value": float | None})
_Reconciliation: Final = _record(
    "Reconciliation",
    "Best estimates, tests and suspects. Nothing is corrected and nothing is recorded.",
    {
        "streams": [_Reconciled],
        "balances": [_Residual],
        "converged": bool,
        "global_test": _GlobalTest(),
        "z_limit": float | None,
        "nodal_tests": [_NodalTest],
        "suspects": [_Suspect],
        "without_suspects": _Left(),
        "undetermined": [[str]],
        "counts": serializers.DictField(child=serializers.IntegerField()),
    },
)
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
        request=_Network,
        responses={200: _Reconciliation},
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
