"""Links without a sign-in: signed, read and counted, expired, revoked; the token is never kept."""

from __future__ import annotations

import datetime as dt
import hashlib
from decimal import Decimal

import pytest
from django.db import IntegrityError, connection, transaction

from lots import clock
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.models import Lot, ProcessBatch, RecordedRequest
from lots.services.process_batches import Inputs, start_batch
from lots.services.taking import Take
from reports.models import AccessRecord, Settlement, SharedLink
from reports.queries.shared_links import link_of, token_signer
from reports.services.access_records import record_access
from reports.services.settlement import approve_settlement, prepare_settlement
from reports.services.shared_links import read_link, revoke_link, share_link
from reports.services.terms import set_terms
from tests.builders import receive
from tests.refused import refused

NOW = dt.datetime(2026, 5, 4, 18, 0, tzinfo=dt.UTC)
TERMS = {
    "currency": "EUR",
    "settle_in": "metal",
    "exchanged": False,
    "metals": [{"metal": "Ag", "splitting_limit_ppt": "2"}],
}


@pytest.fixture
def lot(works, act) -> Lot:
    return receive(works, act(0), grams=2500, owner=works.brackwater)


@pytest.fixture
def draft(works, act, lot, settled_on) -> Settlement:
    return settled_on(lot)


@pytest.fixture
def settled_on(works, act):
    """Prepares a settlement of a lot, from an assay of the house."""

    def prepare(lot: Lot) -> Settlement:
        findings = {"Ag": Finding(Decimal("925"), Decimal("0.3"))}
        report = AssayReport("gravimetric", works.laboratory, findings)
        record_assay(lot=lot, report=report, act=act(1))
        set_terms(
            customer=lot.received_from,
            content=TERMS,
            valid_from=act(0).moment.date(),
            act=act(1, who=works.accountant),
        )
        start_batch(
            kind=ProcessBatch.Kind.GRANULATING,
            place=works.places["melt-bench"],
            inputs=Inputs([Take(lot)]),
            keep_apart=False,
            act=act(1.5),
        )
        return prepare_settlement(lot=lot, kind="final", act=act(2, who=works.accountant))

    return prepare


@pytest.fixture
def approved(works, act, draft) -> Settlement:
    return approve_settlement(settlement=draft, act=act(3, who=works.manager))


@pytest.fixture
def office(works, act):
    return lambda key="": act(8, key=key, who=works.accountant)


def test_a_link_to_a_settlement_opens_it_and_counts_its_readings(works, office, approved):
    link = share_link(settlement=approved, days=14, act=office())
    assert (link.customer, link.expires_at) == (works.brackwater, NOW + dt.timedelta(days=14))
    read = read_link(link.token, "page")
    assert read == link
    read_link(link.token, "pdf")
    link.refresh_from_db()
    assert (link.reads, link.last_read_at) == (2, NOW)
    assert list(AccessRecord.objects.order_by("id").values_list("what", "reference", "form")) == [
        ("settlement", approved.code, "page"),
        ("settlement", approved.code, "pdf"),
    ]
    record = AccessRecord.objects.first()
    assert (record.link, record.user, record.customer) == (link, None, works.brackwater)


def test_only_the_hash_of_the_token_is_kept(office, lot):
    link = share_link(lot=lot, days=1, act=office("key-1"))
    assert link.token_sha256 == hashlib.sha256(link.token.encode()).hexdigest()
    secret = link.token.split(".")[0]
    assert len(secret) >= 43
    tables = connection.introspection.table_names()
    with connection.cursor() as cursor:
        for table in tables:
            cursor.execute(f'SELECT * FROM "{table}"')
            assert secret not in str(cursor.fetchall()), table


def test_the_same_request_again_makes_no_second_link_and_gives_no_token(office, lot):
    first = share_link(lot=lot, days=1, act=office("key-1"))
    again = share_link(lot=lot, days=1, act=office("key-1"))
    assert again == first
    assert not hasattr(again, "token")
    assert SharedLink.objects.count() == RecordedRequest.objects.filter(key="key-1").count() == 1


def test_every_link_has_a_token_of_its_own(office, lot):
    tokens = {share_link(lot=lot, days=1, act=office()).token for _ in range(3)}
    assert len(tokens) == 3


def test_an_expired_link_opens_nothing_from_the_moment_on(office, lot):
    link = share_link(lot=lot, days=1, act=office())
    with clock.at(link.expires_at - dt.timedelta(seconds=1)):
        assert link_of(link.token) == link
    for later in (0, 1, 86_400):
        with clock.at(link.expires_at + dt.timedelta(seconds=later)):
            assert read_link(link.token, "page") is None
    assert not AccessRecord.objects.exists()


def test_a_revoked_link_opens_nothing_and_stays_on_record(works, office, lot):
    link = share_link(lot=lot, days=1, act=office())
    revoke_link(link=SharedLink.objects.get(), act=office())
    assert read_link(link.token, "page") is None
    kept = SharedLink.objects.get()
    assert (kept.revoked_at, kept.revoked_by, kept.reads) == (NOW, works.accountant, 0)
    with refused("already_revoked", "link"):
        revoke_link(link=kept, act=office())


def test_a_token_made_up_or_changed_opens_nothing(office, lot, settings):
    token = share_link(lot=lot, days=1, act=office()).token
    secret, signature = token.split(".")
    flipped = ("B" if token[0] == "A" else "A") + token[1:]
    forged = token_signer().sign("guess")
    for wrong in (flipped, secret, f"{secret}.{signature[::-1]}", forged, "", "x" * 500, "é.é"):
        assert link_of(wrong) is None, wrong
    assert link_of(token) is not None
    settings.SECRET_KEY = "another key than the one that signed it"
    assert link_of(token) is None


def test_a_link_is_void_once_the_thing_is_no_longer_the_customers_to_see(works, office, lot):
    token = share_link(lot=lot, days=1, act=office()).token
    Lot.objects.filter(pk=lot.pk).update(received_from=works.pellow)
    assert link_of(token) is None


def test_a_superseded_settlement_stays_open_and_a_withdrawn_one_does_not(office, approved):
    token = share_link(settlement=approved, days=1, act=office()).token
    Settlement.objects.filter(pk=approved.pk).update(state="superseded")
    assert link_of(token) is not None
    Settlement.objects.filter(pk=approved.pk).update(state="withdrawn")
    assert link_of(token) is None


def test_a_draft_is_not_shared(office, draft):
    with refused("not_approved", "settlement"):
        share_link(settlement=draft, days=1, act=office())


def test_a_lot_of_the_house_is_not_shared(works, office, act, approved, lot):
    vessel = receive(works, act(0), grams=10)
    Lot.objects.filter(pk=vessel.pk).update(received_from=None)
    vessel.refresh_from_db()
    with refused("lot_has_no_customer", "lot"):
        share_link(lot=vessel, days=1, act=office())
    for given in ({}, {"lot": lot, "settlement": approved}):
        with refused("one_thing", "settlement"):
            share_link(days=1, act=office(), **given)


@pytest.mark.parametrize("days", [-1, 0, 91])
def test_a_link_lasts_for_some_days_only(office, lot, days):
    with refused("expiry_out_of_range", "days"):
        share_link(lot=lot, days=days, act=office())


def test_access_records_are_never_changed_or_deleted(office, lot):
    read_link(share_link(lot=lot, days=1, act=office()).token, "page")
    for change in (
        lambda: AccessRecord.objects.update(form="none"),
        lambda: AccessRecord.objects.all()._raw_delete("default"),
    ):
        with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
            change()
    assert AccessRecord.objects.count() == 1


def test_nothing_is_kept_of_reading_what_is_no_customers(works):
    given = {"what": "lot_answer", "reference": "X", "form": "json", "user": works.operator}
    for nobody in (None, works.house):
        assert record_access(customer=nobody, **given) is None
    assert record_access(customer=works.pellow, **given).user == works.operator
    assert AccessRecord.objects.count() == 1
