"""Attaching a photo or a paper to a lot through the API."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers
from rest_framework.parsers import FormParser, MultiPartParser

from lots.api.commands import ActSerializer, CommandView
from lots.api.serializers import DocumentSerializer
from lots.models import Document, Lot
from lots.services.documents import attach_document
from lots.services.recording import Act


@extend_schema_field(OpenApiTypes.BINARY)
class UploadField(serializers.FileField):
    """A file as uploaded; an empty one is the service's to refuse."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(allow_empty_file=True, **kwargs)


class DocumentInput(ActSerializer):
    file = UploadField()


class AttachDocument(CommandView):
    """Attach a PDF, PNG, JPEG or WebP file to a lot."""

    input = DocumentInput
    output = DocumentSerializer
    parser_classes = [MultiPartParser, FormParser]

    def perform(self, act: Act, data: dict[str, Any], **path: Any) -> Document:
        return attach_document(
            lot=get_object_or_404(Lot, code=path["code"]),
            file=data["file"],
            claimed_type=data["file"].content_type or "",
            act=act,
        )
