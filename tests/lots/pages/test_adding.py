"""A list in a form with nothing to choose from says where to add one, and leads back."""

from __future__ import annotations

from urllib.parse import quote

from django.urls import reverse

from lots.models import Balance, Place


def test_an_empty_list_offers_to_add_one_to_who_may(works, browse_as):
    Balance.objects.all().delete()
    address = reverse("receive")
    shown = browse_as(works.manager).get(address).context["form"]
    assert shown.fields["balance"].add_one == f"{reverse('balance-add')}?next={quote(address, '')}"
    assert not hasattr(shown.fields["place"], "add_one")
    page = browse_as(works.manager).get(address).content.decode()
    assert "There is none yet" in page
    assert not hasattr(
        browse_as(works.operator).get(address).context["form"].fields["balance"], "add_one"
    )


def test_what_is_added_leads_back_and_nowhere_else(works, browse_as):
    office = browse_as(works.manager)
    sent = {"name": "Shelf", "area": "feed_store", "is_active": "on"}
    back = office.post(f"{reverse('place-add')}?next=/receive/", sent | {"key": "a"})
    assert back.url == "/receive/"
    assert Place.objects.get(name="Shelf").code == "shelf"
    for number, away in enumerate(("//elsewhere.example/", "https://elsewhere.example/", "x")):
        answer = office.post(
            f"{reverse('place-add')}?next={away}",
            sent | {"key": f"b{number}", "name": f"S{number}"},
        )
        assert answer.url == reverse("places")


def test_a_scales_last_digit_says_what_follows_from_it(works, browse_as):
    said = browse_as(works.operator).get("/convert/scale/?of=r&r=0.1+g").content.decode()
    assert "± 0.029 g" in said
    assert "F.2.2.1" in said
    wrong = browse_as(works.operator).get("/convert/scale/?of=r&r=much").content.decode()
    assert "wrong" in wrong
