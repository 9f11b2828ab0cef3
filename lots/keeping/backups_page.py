"""The page of the backups: where they go, the last verified one, and how the chores went."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from config.pages import put_refusal
from config.refusals import RefusalError
from lots.keeping.backup_folder import Kept, choose_folder, kept, proposed_passphrase
from lots.keeping.chores import last_ran
from lots.people.access import managers_form


class FolderForm(forms.Form):
    """A passphrase is proposed, in sight, until there is one; it is never shown afterwards."""

    folder = forms.CharField(
        label="Folder on the machine that serves the site",
        max_length=500,
        help_text="Best on a stick or another disk, or in a folder that is synchronised elsewhere; "
        "as in /media/stick/backups or E:\\backups",
    )
    encrypted = forms.BooleanField(label="Encrypt under a passphrase", required=False)
    passphrase = forms.CharField(label="Passphrase", max_length=200, required=False)

    def __init__(self, standing: Kept, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        chosen = standing.choice
        self.fields["folder"].initial = chosen.folder
        self.fields["encrypted"].initial = bool(chosen.passphrase) or not chosen.folder
        field = self.fields["passphrase"]
        if chosen.passphrase:
            field.help_text = "Left empty, it stays as it is. A new one is for backups from now on."
        else:
            field.initial = proposed_passphrase()
            field.help_text = (
                "Write it down now and keep it apart from the folder: it is not shown again, and "
                "without it nobody reads the backups."
            )

    def chosen_passphrase(self) -> str | None:
        """What `choose_folder` takes; None keeps the one there is."""
        if not self.cleaned_data["encrypted"]:
            return ""
        return self.cleaned_data["passphrase"] or None

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        has_one = not self.fields["passphrase"].initial
        if data.get("encrypted") and not data.get("passphrase") and not has_one:
            self.add_error("passphrase", "Write down and send a passphrase, or take the tick away.")
        return data


@managers_form
def backups_page(request: HttpRequest) -> HttpResponse:
    standing = kept()
    form = FolderForm(standing, request.POST or None)
    if form.is_bound and form.is_valid():
        try:
            choose_folder(
                form.cleaned_data["folder"],
                passphrase=form.chosen_passphrase(),
                by=request.user.get_username(),
            )
            messages.success(request, "Kept. The next backup goes there, within minutes.")
            return redirect("backups")
        except RefusalError as refusal:
            put_refusal(form, refusal)
    context = {"section": "bench", "form": form, "kept": standing, "ran": last_ran()}
    answer = render(request, "lots/backups.html", context, status=400 if form.is_bound else 200)
    answer.headers["Cache-Control"] = "no-store, private"
    return answer
