"""The description that others build on is the API's own; what comes to an end says so."""

from __future__ import annotations

import datetime as dt
import json

import pytest
from django.core.management import CommandError, call_command
from rest_framework.response import Response
from rest_framework.test import APIRequestFactory
from rest_framework.views import APIView

from config import api_description
from config.api_description import KEPT_IN, as_text, described
from config.api_versions import ComesToAnEnd


def test_the_kept_description_is_the_apis_and_names_its_version(tmp_path, monkeypatch, capsys):
    schema = described()
    text = as_text(schema)
    assert json.loads(text) == schema
    assert KEPT_IN.read_text() == text, "out of step: run manage.py write_schema"
    assert {path.split("/")[2] for path in schema["paths"]} == {"v1"}
    masses = json.dumps(schema["paths"]).count('"$ref": "#/components/schemas/Mass"')
    assert masses > 100
    other = tmp_path / "openapi-v1.json"
    other.write_text(text.replace("/api/v1/receipts/", "/api/v1/receipt/"))
    monkeypatch.setattr(api_description, "KEPT_IN", other)
    monkeypatch.setattr("config.management.commands.write_schema.KEPT_IN", other)
    with pytest.raises(CommandError, match="write_schema"):
        call_command("write_schema", "--check")


def test_what_comes_to_an_end_says_since_when_and_until_when():
    class Old(ComesToAnEnd, APIView):
        deprecated_on = dt.date(2026, 11, 1)
        gone_on = dt.date(2027, 11, 1)
        see = "/api/docs/"
        permission_classes = ()
        authentication_classes = ()

        def get(self, request):
            return Response({})

    answer = Old.as_view()(APIRequestFactory().get("/"))
    # RFC 9745 gives the day as @ and seconds since 1970, RFC 8594 as a date of HTTP.
    assert answer.headers["Deprecation"] == "@1793491200"
    assert answer.headers["Sunset"] == "Mon, 01 Nov 2027 00:00:00 GMT"
    assert answer.headers["Link"] == '</api/docs/>; rel="deprecation"'
