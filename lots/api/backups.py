"""The backups through the API: where they go and how they went; a folder is chosen."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lots.api.questions import QuestionView
from lots.api.records import BY_METAL, schema_of
from lots.keeping.backup_folder import choice, choose_folder, kept, proposed_passphrase
from lots.keeping.chores import last_ran
from lots.models import ApiToken
from lots.people.permissions import WorksManager


@dataclass(frozen=True)
class Chore:
    """A daily chore: when it was last tried, when it last went well, and what it said."""

    name: str
    tried_at: dt.datetime
    well_at: dt.datetime | None
    said: str


@dataclass(frozen=True)
class Backups:
    """Where the daily backups go. `passphrase` is told once, when it was made for this answer."""

    folder: str
    folder_is_there: bool
    encrypted: bool
    last_verified: str | None
    last_verified_at: dt.datetime | None
    chores: list[Chore]
    passphrase: str | None


class FolderInput(serializers.Serializer[Any]):
    folder = serializers.CharField(max_length=500)
    encrypted = serializers.BooleanField(default=True)
    passphrase = serializers.CharField(
        max_length=200,
        required=False,
        trim_whitespace=False,
        help_text="At least 16 characters; left out, the one there is stays, or one is made.",
    )


class BackupsView(QuestionView):
    """Where the daily backups go, the last verified one, and how each daily chore went."""

    asks: ClassVar[Mapping[str, Any]] = {}
    shows = Backups
    scope = ApiToken.Scope.ADMINISTER
    permission_classes = [WorksManager]

    def answer(self, asked: dict[str, Any], **path: Any) -> Backups:
        return _standing(None)

    @extend_schema(request=FolderInput, responses={200: schema_of(Backups, BY_METAL)})
    def post(self, request: Request) -> Response:
        """Choose the folder, and whether backups are encrypted. Sent again it changes nothing."""
        body = FolderInput(data=request.data)
        body.is_valid(raise_exception=True)
        data = body.validated_data
        made = None
        passphrase = data.get("passphrase")
        if not data["encrypted"]:
            passphrase = ""
        elif passphrase is None and not choice().passphrase:
            passphrase = made = proposed_passphrase()
        choose_folder(data["folder"], passphrase=passphrase, by=request.user.get_username())
        answer = Response(self.shown(_standing(made)))
        answer.headers["Cache-Control"] = "no-store"
        return answer


def _standing(made: str | None) -> Backups:
    found = kept()
    return Backups(
        folder=str(found.choice.path),
        folder_is_there=found.is_there,
        encrypted=bool(found.choice.passphrase),
        last_verified=str(found.last) if found.last else None,
        last_verified_at=found.last_at,
        chores=[
            Chore(name, each.tried_at, each.well_at, each.said) for name, each in last_ran().items()
        ],
        passphrase=made,
    )
