"""One bench step as a page: shows its form, calls its service, puts a refusal beside the field."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any, ClassVar, Final

from django import forms
from django.contrib import messages
from django.db.models import Max, Model
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.datastructures import MultiValueDict
from django.utils.http import url_has_allowed_host_and_scheme, urlencode
from django.views import View

from config.database_trouble import tried_again
from config.menu import links_for
from config.pages import put_refusal, refusal_of
from config.refusals import RefusalError
from lots.ledger.recording import Act
from lots.models import Balance, KeptForm, Movement, Place
from lots.pages.bench_form import ActForm, new_key
from lots.pages.recorded import page_of, told
from lots.pages.unlikely import ANSWERS, answered, put_questions
from lots.people.access import check_staff, role_of
from lots.queries.at_hand import lots_at_hand
from lots.queries.saved_forms import kept_form
from lots.services.saved_forms import drop_form, keep_form

RECORDED_BEFORE: Final = (
    "This form was recorded before, with other entries. What stands here now is not: send it again "
    "to record it as well, or take the first one back from its receipt."
)
KEEP: Final = "keep"
KEPT: Final = "Kept below until you finish it or throw it away. Nothing is recorded yet."
MOMENT: Final = "occurred_at"
# Where what was used last is what a form begins with: in every form, or in the same form alone.
REMEMBERED: Final[dict[type[Model], str]] = {Balance: "anywhere", Place: "here"}
# A form that asks for less besides the moment and a note is not worth putting aside.
ASKED_MIN: Final = 3


class BenchStep(View):
    """Subclasses name `title`, `form_class`, `perform` and, where there is one, `subject`.

    `cautions` are the steps of the safety texts shown beside the form; `offered_forms` are the
    forms of lots offered while a code is typed (all when empty, none when None).
    """

    title: ClassVar[str] = ""
    lead: ClassVar[str] = ""
    button: ClassVar[str] = "Record"
    done: ClassVar[str] = "Recorded."
    section: str = "bench"
    cautions: tuple[str, ...] = ()
    form_class: ClassVar[type[ActForm]]
    roles: ClassVar[frozenset[str] | None] = None
    offered_forms: ClassVar[tuple[str, ...] | None] = None
    template_name: str = "lots/bench_step.html"
    # What this person put aside of this form before.
    kept: KeptForm | None = None

    def dispatch(self, request: HttpRequest, *args: Any, **path: Any) -> Any:
        refused = check_staff(request, self.roles)
        if refused is not None:
            return refused
        self.subject = self.find(request, **path)
        return super().dispatch(request, *args, **path)

    def find(self, request: HttpRequest, **path: Any) -> Any:
        """What the address names, or Http404."""
        return None

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        """What the form begins with; an address may name a lot."""
        return {name: value for name, value in request.GET.items() if name != "key"}

    def make_form(self, **kwargs: Any) -> ActForm:
        return self.form_class(**kwargs)

    def perform(self, act: Act, form: Any) -> Model:
        """Calls one service with the form's cleaned data and returns what it recorded."""
        raise AssertionError(f"{type(self).__name__} has no perform")

    def context(self) -> dict[str, Any]:
        """What a step's own template shows beside `self.form`."""
        return {}

    def after(self, recorded: Any) -> str:
        """Where to go next: the lot that what was recorded is about."""
        return page_of(recorded)

    def get(self, request: HttpRequest, *args: Any, **path: Any) -> HttpResponse:
        self.kept = kept_form(request.user, request.get_full_path())  # type: ignore[arg-type]
        initial = {**self.initial(request), "key": new_key()}
        if self.kept is not None:
            initial |= values_of(self.make_form(), self.kept.values)
        return self.show(request, self.make_form(initial=initial))

    def post(self, request: HttpRequest, *args: Any, **path: Any) -> HttpResponse:
        form = self.make_form(data=answered(request.POST), files=request.FILES)
        if KEEP in request.POST:
            return self.keep(request, form)
        if form.is_valid():
            try:
                act = form.act(request.user)  # type: ignore[arg-type]
                latest = Movement.objects.aggregate(latest=Max("sequence"))["latest"] or 0
                recorded = tried_again(partial(self.perform, act, form))
            except Exception as error:
                refusal = refusal_of(error)
                if refusal is None:
                    raise
                if refusal.code == "idempotency_key_reused":
                    form = self.begin_again(request)
                elif refusal.questions:
                    put_questions(form, refusal)
                else:
                    put_refusal(form, refusal)
                return self.show(request, form, status=refusal.status)
            drop_form(user=request.user, address=request.get_full_path())  # type: ignore[arg-type]
            own = Movement.objects.filter(sequence__gt=latest, recorded_by=request.user.pk)
            self.movement = own.order_by("-sequence").first()
            return self.answer(request, recorded)
        return self.show(request, form, status=400)

    def answer(self, request: HttpRequest, recorded: Any) -> HttpResponse:
        """On to the receipt, or back to the page that named itself as the next one."""
        back = request.GET.get("next", "")
        here = {request.get_host()}
        if back.startswith("/") and url_has_allowed_host_and_scheme(back, here):
            messages.success(request, self.done, extra_tags="kept")
            return redirect(back)
        messages.success(request, self.told(recorded, self.movement))
        return redirect(self.after(recorded))

    def told(self, recorded: Any, movement: Movement | None) -> str:
        """The line on the next page that says what was recorded."""
        return told(self.done, movement, self.request.user)

    def keep(self, request: HttpRequest, form: ActForm) -> HttpResponse:
        """Puts the form aside as it stands, unchecked; files are not kept."""
        names = {
            name for name in request.POST if name not in {KEEP, "csrfmiddlewaretoken", *ANSWERS}
        }
        pairs = [(name, text) for name in names for text in request.POST.getlist(name)]
        about = f" – {self.subject}" if self.subject is not None else ""
        try:
            keep_form(
                user=request.user,  # type: ignore[arg-type]
                address=request.get_full_path(),
                title=f"{self.title}{about}",
                values=sorted(pairs, key=lambda pair: pair[0]),
            )
        except RefusalError as refusal:
            put_refusal(form, refusal)
            return self.show(request, form, status=refusal.status)
        messages.success(request, KEPT, extra_tags="kept")
        return redirect("/")

    def begin_again(self, request: HttpRequest) -> ActForm:
        """The same entries under a key of their own, saying that they are not recorded yet."""
        sent = request.POST.copy()
        sent["key"] = new_key()
        form = self.make_form(data=sent, files=request.FILES)
        form.full_clean()
        form.add_error(None, forms.ValidationError(RECORDED_BEFORE, code="idempotency_key_reused"))
        return form

    def show(self, request: HttpRequest, form: ActForm, status: int = 200) -> HttpResponse:
        self.form = form
        make_ready(request, form)
        offered = [] if self.offered_forms is None else lots_at_hand(self.offered_forms)
        return render(
            request,
            self.template_name,
            {
                "step": self,
                "section": self.section,
                "form": form,
                "subject": self.subject,
                "offered": offered,
                "fresh": not form.is_bound,
                "kept": self.kept,
                "kept_moment": dict(self.kept.values).get(MOMENT) if self.kept else None,
                "may_be_kept": len(form.visible_fields()) > ASKED_MIN,
                **folded(form),
                **self.context(),
            },
            status=status,
        )


def folded(form: ActForm) -> dict[str, Any]:
    """The fields in sight, and those under “more”, which opens where one has an error or a value.

    A form that asks little folds nothing.
    """
    fields = form.visible_fields()
    under = set(getattr(form, "rest", ())) if len(fields) > ASKED_MIN else set()
    rest = [each for each in fields if each.name in under]
    begun = [each for each in rest if each.errors or _is_said(form, each)]
    first = [each for each in fields if each.name not in under]
    return {"first": first, "rest": rest, "is_more_open": bool(begun)}


def _is_said(form: ActForm, field: forms.BoundField) -> bool:
    """Whether somebody, or the address, gave the field what it does not begin with by itself."""
    if form.is_bound:
        return field.data not in (None, "", [], {}, False) and field.data != field.field.initial
    return bool(form.initial.get(field.name))


def make_ready(request: HttpRequest, form: forms.Form) -> None:
    """Chooses the only one of a needed list; beside an empty one stands the way to add one.

    The balance and the place used last are remembered on the device: see `ledger.js`.
    """
    links = links_for("ADD_ONE", role_of(request) or "")
    for name, field in form.fields.items():
        if not isinstance(field, forms.ModelChoiceField) or field.queryset is None:
            continue
        if field.required and field.queryset.model in REMEMBERED:
            field.widget.attrs["data-remember"] = REMEMBERED[field.queryset.model]
        rows = list(field.queryset[:2])
        several = isinstance(field, forms.ModelMultipleChoiceField)
        if len(rows) == 1 and field.required and not several:
            form.initial.setdefault(name, rows[0].pk)
        if rows:
            continue
        label = field.queryset.model._meta.label
        found = next((each for each in links if each.about and label in each.about), None)
        if found is not None:
            back = urlencode({"next": request.get_full_path()})
            field.add_one = f"{reverse(found.url_name)}?{back}"  # type: ignore[attr-defined]
            field.add_label = found.label  # type: ignore[attr-defined]


def values_of(form: ActForm, pairs: Sequence[tuple[str, str]]) -> dict[str, Any]:
    """What was kept, as each field's widget reads it from what a browser sends.

    When it happened is not brought back: by now it may be another day.
    """
    sent = QueryDict(mutable=True)
    for name, text in pairs:
        sent.appendlist(name, text)
    return {
        name: field.widget.value_from_datadict(sent, MultiValueDict(), name)
        for name, field in form.fields.items()
        if not isinstance(field, forms.FileField) and name != MOMENT
    }
