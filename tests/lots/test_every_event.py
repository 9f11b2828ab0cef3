"""What holds for every event: recorded once, never ahead of time, never in a closed month."""

from __future__ import annotations

import pytest
from django.core.files.base import ContentFile

from lots.measurements.assays import record_assay
from lots.measurements.impurities import ImpurityReport, record_impurities
from lots.measurements.rulings import rule_assay
from lots.measurements.weighing_difference import post_weighing_difference
from lots.measurements.weighings import Weight, record_weighing
from lots.measurements.withdrawal import withdraw_measurement
from lots.models import BooksMonth, Lot, Weighing
from lots.services.blending import Blend, blend_lots
from lots.services.delivery import Delivered, deliver
from lots.services.documents import attach_document
from lots.services.melting import Melted, melt_lot
from lots.services.opening import Amount, Opening, open_claim, open_lot
from lots.services.ownership import change_owner, settle_claim
from lots.services.quarantine import quarantine_lot, release_lot
from lots.services.reference import PlaceDetails, create_place
from lots.services.sampling import take_sample, use_up_sample
from lots.services.shipping import return_to_customer, ship_lot
from lots.services.splitting import Part, split_lot
from lots.services.taking import Take
from lots.services.transfer import transfer_lot
from lots.services.write_off import write_off
from tests.lots.conftest import books
from tests.refused import every_row

G = 1_000_000


@pytest.fixture
def scene(works, act, received, report, laboratory_shelf, settings, tmp_path):
    """A lot of each kind an event needs."""
    settings.MEDIA_ROOT = tmp_path
    lot = received(1000)
    ours = received(500, owner=works.house, declared={"Ag": "999"})
    open_claim(owner=works.pellow, metals={"Ag": 499 * G}, act=act(0.1))
    aside = received(100)
    quarantine_lot(lot=aside, reason="torn bag", act=act(0.1))
    return {
        "lot": lot,
        "ours": ours,
        "aside": aside,
        "other": received(10),
        "sample": take_sample(lot=lot, mass_ug=G, place=laboratory_shelf, act=act(0.2)),
        "assay": record_assay(lot=lot, report=report({"Ag": "920"}), act=act(0.3)),
        "weighing": record_weighing(
            lot=ours, weight=Weight(499 * G, 0, works.balance), purpose="check", act=act(0.3)
        ),
        "shelf": laboratory_shelf,
    }


def bag(works, mass_g=50):
    return Opening(
        form=Lot.Form.SLIMES_BAG,
        owner=works.house,
        place=works.places["slimes-cabinet"],
        metals={"Au": Amount(G)},
        mass_ug=mass_g * G,
    )


# By name: the service, its arguments, and one argument changed into another request.
POSTED = {
    "split": lambda w, s: (
        split_lot,
        {"lot": s["lot"], "parts": [Part(mass_ug=G)]},
        {"parts": [Part(mass_ug=2 * G)]},
    ),
    "transfer": lambda w, s: (
        transfer_lot,
        {"lot": s["lot"], "place": w.places["fine-safe"]},
        {"place": w.places["melt-bench"]},
    ),
    "blend": lambda w, s: (
        blend_lots,
        {
            "takes": [Take(s["lot"]), Take(s["other"])],
            "blend": Blend("granules", w.places["melt-bench"]),
        },
        {"keep_apart": False},
    ),
    "open_lot": lambda w, s: (open_lot, {"opening": bag(w)}, {"opening": bag(w, 51)}),
    "open_claim": lambda w, s: (
        open_claim,
        {"owner": w.pellow, "metals": {"Ag": G}},
        {"metals": {"Ag": 2 * G}},
    ),
    "rule": lambda w, s: (
        rule_assay,
        {"assay": s["assay"], "reason": "ours"},
        {"reason": "theirs"},
    ),
    "weighing_difference": lambda w, s: (
        post_weighing_difference,
        {"weighing": s["weighing"], "reason": "spilt"},
        {"reason": "tare"},
    ),
    "change_owner": lambda w, s: (
        change_owner,
        {"lot": s["lot"], "owner": w.house},
        {"as_claim": True},
    ),
    "settle_claim": lambda w, s: (
        settle_claim,
        {"owner": w.pellow, "metals": {"Ag": G}},
        {"to": w.brackwater},
    ),
    "ship": lambda w, s: (ship_lot, {"lot": s["ours"], "to": w.pellow}, {"to": w.brackwater}),
    "return": lambda w, s: (
        return_to_customer,
        {"lot": s["lot"], "customer": w.brackwater},
        {"customer": w.pellow},
    ),
    "deliver": lambda w, s: (
        deliver,
        {"kind": "shipment", "party": w.pellow, "items": [Delivered(s["ours"])]},
        {"carrier": "van"},
    ),
    "write_off": lambda w, s: (
        write_off,
        {"lot": s["lot"], "cause": "spill", "stage": "store", "mass_ug": G},
        {"mass_ug": 2 * G},
    ),
    "melt": lambda w, s: (
        melt_lot,
        {"lot": s["lot"], "melted": Melted("bar", w.places["melt-bench"])},
        {"melted": Melted("granules", w.places["melt-bench"])},
    ),
    "sample": lambda w, s: (
        take_sample,
        {"lot": s["lot"], "mass_ug": G, "place": s["shelf"]},
        {"mass_ug": 2 * G},
    ),
    "use_up": lambda w, s: (use_up_sample, {"sample": s["sample"]}, {"mass_ug": 1000}),
    "quarantine": lambda w, s: (
        quarantine_lot,
        {"lot": s["lot"], "reason": "wet"},
        {"reason": "torn"},
    ),
    "release": lambda w, s: (
        release_lot,
        {"lot": s["aside"], "reason": "assayed"},
        {"reason": "dried"},
    ),
}
KEPT = {
    "impurities": lambda w, s: (
        record_impurities,
        {"lot": s["lot"], "report": ImpurityReport(w.laboratory, {"Ag": "920"})},
        {"report": ImpurityReport(w.laboratory, {"Ag": "921"})},
    ),
    "withdraw": lambda w, s: (
        withdraw_measurement,
        {"measurement": Weighing.objects.get(pk=s["weighing"].pk), "reason": "misread"},
        {"reason": "miskeyed"},
    ),
    "document": lambda w, s: (
        attach_document,
        {"lot": s["lot"], "file": ContentFile(b"%PDF-1.7", name="a.pdf")},
        {"file": ContentFile(b"%PDF-1.4", name="a.pdf")},
    ),
    "reference": lambda w, s: (
        create_place,
        {"details": PlaceDetails("Rack", "wet_bench", "rack")},
        {"details": PlaceDetails("Drying rack", "wet_bench", "rack")},
    ),
    "record_weighing": lambda w, s: (
        record_weighing,
        {"lot": s["lot"], "weight": Weight(5 * G, 0, w.balance), "purpose": "check"},
        {"purpose": "count"},
    ),
}
EVENTS = POSTED | KEPT


@pytest.mark.parametrize("name", EVENTS)
def test_an_event_is_recorded_once_and_never_ahead_of_its_time(works, act, scene, refused, name):
    service, arguments, changed = EVENTS[name](works, scene)
    with refused("in_the_future", "occurred_at"):
        service(**arguments, act=act(24, "key-1"))
    first = service(**arguments, act=act(1, "key-1"))
    before = every_row()
    assert service(**arguments, act=act(1, "key-1")) == first
    assert every_row() == before
    with refused("idempotency_key_reused", "Idempotency-Key"):
        service(**arguments | changed, act=act(1, "key-1"))
    check_pool_is_owed_to_the_last_microgram()


@pytest.mark.parametrize("name", POSTED)
def test_nothing_is_posted_into_a_closed_month_or_with_a_note_that_cannot_be_kept(
    works, act, scene, refused, name
):
    service, arguments, _ = POSTED[name](works, scene)
    for note, code in (("x" * 501, "too_long"), ("a\x00b", "not_text")):
        with refused(code, "note"):
            service(**arguments, act=act(1, note=note))
    moment = act().moment
    BooksMonth.objects.create(
        first_day=moment.date().replace(day=1),
        starts_at=moment.replace(day=1, hour=0),
        ends_at=moment.replace(month=6, day=1, hour=0),
        state=BooksMonth.State.CLOSED,
    )
    with refused("month_closed", "occurred_at"):
        service(**arguments, act=act(1))


def check_pool_is_owed_to_the_last_microgram():
    """Holdings of the house's lots are what the claims, the house's among them, add up to."""
    after = books()
    pool: dict[str, int] = {}
    for (_, owner, metal), total in after["lots"].items():
        if owner == "tern-quay":
            pool[metal] = pool.get(metal, 0) + total
    owed: dict[str, int] = {}
    for (_, metal), total in after["claims"].items():
        owed[metal] = owed.get(metal, 0) + total
    assert pool == {metal: total for metal, total in owed.items() if total}
    assert min(after["lots"].values()) > 0
