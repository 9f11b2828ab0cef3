"""A form opened and sent, as a person does."""

from __future__ import annotations

from typing import Any

from django.test import Client
from django.urls import reverse


def send(client: Client, name: str, args: list[Any], status: int = 302, **values: Any) -> Any:
    """Opens the form and sends it with what it hides; answers with the page one lands on."""
    address = reverse(name, args=args)
    opened = client.get(address)
    assert opened.status_code == 200, opened.status_code
    form = opened.context["form"]
    hidden = {field.name: field.value() or "" for field in form.hidden_fields()}
    answer = client.post(address, {**hidden, **values})
    if answer.status_code != status:
        raise AssertionError(answer.context["form"].errors.as_json())
    return client.get(answer.url) if status == 302 else answer
