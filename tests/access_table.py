"""Who may read and who may write at every address of the site: the one declared table.

`tests/test_access.py` walks it as everyone; an address without a row fails the tidiness tests. The
admin is for superusers alone and has no rows. "staff+theirs" is for the staff, and for customers as
far as it is theirs.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from django.urls import URLResolver, get_resolver

ADMIN: Final = "admin/"
ROLES: Final = ("operator", "assayer", "accountant", "manager", "customer")
_OFFICE: Final = frozenset({"accountant", "manager"})
_STAFF: Final = _OFFICE | {"operator", "assayer"}
_SIGNED_IN: Final = _STAFF | {"customer"}

WHO: Final[dict[str, frozenset[str]]] = {
    "-": frozenset(),
    "all": _SIGNED_IN | {"stranger"},
    "signed in": _SIGNED_IN,
    "staff": _STAFF,
    "staff+theirs": _SIGNED_IN,
    "office": _OFFICE,
    "managing": frozenset({"manager"}),
    "assaying": _OFFICE | {"assayer"},
    "writing off": _OFFICE | {"operator"},
    "importing": _OFFICE | {"operator"},
    "customer": frozenset({"customer"}),
}

# Address, who may read (GET), who may write (POST, and PATCH where there is one).
_ROWS: Final = """
(today)                                       staff+theirs  -
accounts/<code>/                              staff+theirs  -
accounts/<code>/pay/                          office        office
adjustments/<pk>/decline/                     office        office
api/docs/                                     signed in     -
api/schema/                                   signed in     -
api/v1/access-records/                        office        -
api/v1/access-records/<pk>/                   office        -
api/v1/assays/                                staff         -
api/v1/assays/<pk>/                           staff         -
api/v1/assays/<pk>/rule/                      -             assaying
api/v1/assays/<pk>/withdraw/                  -             assaying
api/v1/balances/                              staff         office
api/v1/balances/<code>/                       staff         office
api/v1/bars/                                  staff         -
api/v1/bars/<pk>/                             staff         -
api/v1/bars/<pk>/strike/                      -             staff
api/v1/blends/                                -             staff
api/v1/cell-warnings/                         staff         -
api/v1/cell-warnings/<pk>/                    staff         -
api/v1/cell-warnings/<pk>/acknowledge/        -             staff
api/v1/cells/                                 staff         office
api/v1/cells/<code>/                          staff         office
api/v1/cells/<code>/charge/                   -             staff
api/v1/cells/<code>/feed-plan/                staff         -
api/v1/claims/settle/                         -             office
api/v1/count-adjustments/                     office        -
api/v1/count-adjustments/<pk>/                office        -
api/v1/count-adjustments/<pk>/decline/        -             office
api/v1/count-sheets/                          staff         -
api/v1/count-sheets/<code>/                   staff         -
api/v1/count-sheets/<code>/approve/           -             office
api/v1/count-sheets/<code>/counts/            -             staff
api/v1/count-sheets/<code>/form/              staff         -
api/v1/count-sheets/<code>/found-lots/        -             staff
api/v1/count-sheets/<code>/propose/           -             office
api/v1/count-sheets/<code>/recounts/          -             staff
api/v1/count-sheets/<code>/upload/            -             staff
api/v1/confirmed-figures/                     staff         -
api/v1/confirmed-figures/<pk>/                staff         -
api/v1/confirmed-figures/<pk>/explain/        -             staff
api/v1/delivery-notes/                        staff         -
api/v1/delivery-notes/<code>/                 staff         -
api/v1/delivery-notes/<code>/document/        staff         -
api/v1/delivery-notes/<code>/take-back/       -             staff
api/v1/delivery-notes/deliver/                -             staff
api/v1/documents/                             staff         -
api/v1/documents/<pk>/                        staff         -
api/v1/documents/<pk>/file-as/                -             office
api/v1/documents/<pk>/file/                   staff         -
api/v1/documents/retention/                   office        -
api/v1/electrolyte-readings/                  staff         -
api/v1/electrolyte-readings/<pk>/             staff         -
api/v1/electrolytes/                          staff         -
api/v1/electrolytes/<code>/                   staff         -
api/v1/electrolytes/<code>/bleed-plan/        staff         -
api/v1/electrolytes/<code>/bleed/             -             staff
api/v1/electrolytes/<code>/make-up-plan/      staff         -
api/v1/electrolytes/<code>/measure/           -             staff
api/v1/electrolytes/<code>/state/             staff         -
api/v1/electrolytes/<code>/top-up/            -             staff
api/v1/electrolytes/prepare/                  -             staff
api/v1/events/                                staff+theirs  -
api/v1/excesses/                              staff         -
api/v1/excesses/<pk>/                         staff         -
api/v1/excesses/<pk>/explain/                 -             staff
api/v1/harvests/                              staff         -
api/v1/harvests/<pk>/                         staff         -
api/v1/imports/                               staff         importing
api/v1/imports/<code>/                        staff         -
api/v1/imports/<code>/rows/                   staff         -
api/v1/imports/subjects/                      staff         -
api/v1/impurity-analyses/                     staff         -
api/v1/impurity-analyses/<pk>/                staff         -
api/v1/lots/                                  staff         -
api/v1/lots/<code>/                           staff         -
api/v1/lots/<code>/answer/                    staff+theirs  -
api/v1/lots/<code>/assays/                    -             staff
api/v1/lots/<code>/bar/                       -             staff
api/v1/lots/<code>/documents/                 -             staff
api/v1/lots/<code>/grade/                     staff         -
api/v1/lots/<code>/impurities/                -             staff
api/v1/lots/<code>/melt/                      -             staff
api/v1/lots/<code>/owner/                     -             office
api/v1/lots/<code>/quarantine/                -             staff
api/v1/lots/<code>/questions/                 -             office
api/v1/lots/<code>/release/                   -             assaying
api/v1/lots/<code>/return/                    -             staff
api/v1/lots/<code>/samples/                   -             staff
api/v1/lots/<code>/settlements/               -             office
api/v1/lots/<code>/sheet/                     staff         -
api/v1/lots/<code>/ship/                      -             staff
api/v1/lots/<code>/split/                     -             staff
api/v1/lots/<code>/trace/                     staff         -
api/v1/lots/<code>/transfer/                  -             staff
api/v1/lots/<code>/uncertainty/               staff         -
api/v1/lots/<code>/use-up/                    -             staff
api/v1/lots/<code>/weighings/                 -             staff
api/v1/lots/<code>/write-off/                 -             writing off
api/v1/months/                                staff         -
api/v1/months/<month>/                        staff         -
api/v1/months/<month>/approve/                -             office
api/v1/months/<month>/begin/                  -             office
api/v1/months/<month>/close/                  -             office
api/v1/months/<month>/count-sheets/           -             office
api/v1/months/<month>/prepare/                -             office
api/v1/months/<month>/reopen/                 -             office
api/v1/months/<month>/send-back/              -             office
api/v1/movements/                             staff         -
api/v1/movements/<sequence>/                  staff         -
api/v1/movements/<sequence>/reverse/          -             staff
api/v1/openings/claims/                       -             office
api/v1/openings/electrolytes/                 -             office
api/v1/openings/lots/                         -             office
api/v1/openings/recipes/                      -             office
api/v1/openings/runs/                         -             office
api/v1/openings/slimes-bags/                  -             office
api/v1/openings/stock/                        -             office
api/v1/parties/                               staff         office
api/v1/parties/<code>/                        staff         office
api/v1/parties/<code>/documents/              -             office
api/v1/payments/                              staff         -
api/v1/payments/<code>/                       staff         -
api/v1/payments/<code>/reverse/               -             office
api/v1/payments/record/                       -             office
api/v1/people/                                managing      -
api/v1/people/<pk>/                           managing      -
api/v1/people/<pk>/details/                   -             managing
api/v1/people/<pk>/off/                       -             managing
api/v1/people/<pk>/on/                        -             managing
api/v1/people/<pk>/one-time-password/         -             managing
api/v1/people/<pk>/role/                      -             managing
api/v1/people/<pk>/sign-in-link/              -             managing
api/v1/people/add/                            -             managing
api/v1/people/own-password/                   -             signed in
api/v1/person-changes/                        managing      -
api/v1/person-changes/<pk>/                   managing      -
api/v1/places/                                staff         office
api/v1/places/<code>/                         staff         office
api/v1/power-statements/                      staff         -
api/v1/power-statements/<pk>/                 staff         -
api/v1/power-statements/<pk>/withdraw/        -             staff
api/v1/prices/                                staff         -
api/v1/prices/<pk>/                           staff         -
api/v1/prices/record/                         -             office
api/v1/process-batches/                       staff         -
api/v1/process-batches/<code>/                staff         -
api/v1/process-batches/<code>/close/          -             staff
api/v1/process-batches/<code>/inputs/         -             staff
api/v1/process-batches/<code>/outputs/        -             staff
api/v1/process-batches/start/                 -             staff
api/v1/receipts/                              -             staff
api/v1/reconcile/network/                     -             staff
api/v1/recoveries/                            -             staff
api/v1/recoveries/<code>/finish/              -             staff
api/v1/recovery-outcomes/                     staff         -
api/v1/recovery-outcomes/<pk>/                staff         -
api/v1/reports/accounts/<party>/              staff+theirs  -
api/v1/reports/bars/                          staff         -
api/v1/reports/claims/                        staff         -
api/v1/reports/inventory/                     staff         -
api/v1/reports/inventory/uncertainty/         staff         -
api/v1/reports/losses/                        staff         -
api/v1/reports/losses/movements/              staff         -
api/v1/reports/lot-sheets/                    staff         -
api/v1/reports/months/<month>/                staff         -
api/v1/reports/months/<month>/best-estimate/  staff         -
api/v1/reports/months/<month>/differences/    staff         -
api/v1/reports/months/<month>/doubt/          staff         -
api/v1/reports/months/<month>/uncertainty/    staff         -
api/v1/reports/movements/                     staff         -
api/v1/reports/obligations/                   staff         -
api/v1/reports/slimes-queue/                  staff         -
api/v1/run-readings/                          staff         -
api/v1/run-readings/<pk>/                     staff         -
api/v1/run-readings/<pk>/withdraw/            -             staff
api/v1/runs/                                  staff         -
api/v1/runs/<code>/                           staff         -
api/v1/runs/<code>/close/                     -             staff
api/v1/runs/<code>/forecast/                  staff         -
api/v1/runs/<code>/harvest/                   -             staff
api/v1/runs/<code>/power-on/                  -             staff
api/v1/runs/<code>/readings/                  -             staff
api/v1/runs/<code>/readings/many/             -             staff
api/v1/runs/<code>/remnant/                   -             staff
api/v1/runs/<code>/rinse-water/               -             staff
api/v1/runs/<code>/slimes-bag/                -             staff
api/v1/runs/<code>/start/                     -             staff
api/v1/runs/<code>/state/                     staff         -
api/v1/runs/<code>/stop/                      -             staff
api/v1/runs/<code>/summary/                   staff         -
api/v1/runs/<code>/warnings/                  -             staff
api/v1/settlement-questions/                  staff         -
api/v1/settlement-questions/<pk>/             staff         -
api/v1/settlement-questions/<pk>/answer/      -             office
api/v1/settlement-questions/<pk>/withdraw/    -             office
api/v1/settlements/                           staff         -
api/v1/settlements/<code>/                    staff         -
api/v1/settlements/<code>/approve/            -             office
api/v1/settlements/<code>/statement/          staff+theirs  -
api/v1/settlements/<code>/what-if/            -             staff
api/v1/settlements/<code>/withdraw/           -             office
api/v1/shared-links/                          office        -
api/v1/shared-links/<pk>/                     office        -
api/v1/shared-links/<pk>/revoke/              -             office
api/v1/shared-links/share/                    -             office
api/v1/slimes-bags/                           staff         -
api/v1/slimes-bags/<code>/                    staff         -
api/v1/terms/                                 staff         -
api/v1/terms/<pk>/                            staff         -
api/v1/terms/record/                          -             office
api/v1/token/                                 -             all
api/v1/tokens/                                signed in     -
api/v1/tokens/<pk>/                           signed in     -
api/v1/tokens/<pk>/revoke/                    -             signed in
api/v1/volume-readings/                       staff         -
api/v1/volume-readings/<pk>/                  staff         -
api/v1/volume-readings/<pk>/withdraw/         -             staff
api/v1/webhook-deliveries/                    office        -
api/v1/webhook-deliveries/<pk>/               office        -
api/v1/webhook-deliveries/<pk>/resend/        -             office
api/v1/webhooks/                              office        -
api/v1/webhooks/<pk>/                         office        -
api/v1/webhooks/<pk>/secret/                  office        -
api/v1/webhooks/<pk>/start/                   -             office
api/v1/webhooks/<pk>/stop/                    -             office
api/v1/webhooks/subscribe/                    -             office
api/v1/weighings/                             staff         -
api/v1/weighings/<pk>/                        staff         -
api/v1/weighings/<pk>/post-difference/        -             staff
api/v1/weighings/<pk>/withdraw/               -             staff
api/v1/works-settings/                        staff         -
api/v1/works-settings/<pk>/                   staff         -
api/v1/works/backups/                         managing      managing
api/v1/works/details/                         -             managing
api/v1/works/one-person/                      -             managing
assays/<pk>/rule/                             assaying      assaying
assays/<pk>/withdraw/                         assaying      assaying
balances/                                     staff         -
bars/                                         staff         -
bars/<pk>/                                    staff         -
bars/<pk>/strike/                             staff         staff
bars/paper/                                   staff         -
bars/workbook/                                staff         -
bench/                                        staff         -
blend/                                        staff         staff
cells/                                        staff         -
cells/<code>/charge/                          staff         staff
cells/<code>/feed-plan/                       staff         -
claims/settle/                                office        office
convert/mass/                                 staff         -
confirmed-figures/<pk>/explain/               staff         staff
convert/scale/                                staff         -
counts/<code>/                                staff         -
counts/<code>/add/                            staff         staff
counts/<code>/approve/                        office        office
counts/<code>/form/                           staff         -
counts/<code>/lots/<lot>/                     staff         staff
counts/<code>/propose/                        office        office
counts/<code>/upload/                         staff         staff
cover/                                        staff         -
deliver/                                      staff         staff
deliver/effect/                               staff         -
deliveries/                                   staff         -
deliveries/<code>/                            staff+theirs  -
deliveries/<code>/paper/                      staff+theirs  -
deliveries/<code>/take-back/                  staff         staff
documents/<pk>/                               staff         -
electrolytes/<code>/bleed-plan/               staff         -
electrolytes/<code>/bleed/                    staff         staff
electrolytes/<code>/make-up-plan/             staff         -
electrolytes/<code>/measure/                  staff         staff
electrolytes/<code>/top-up/                   staff         staff
electrolytes/prepare/                         staff         staff
excesses/<pk>/explain/                        staff         staff
health/live                                   all           -
health/ready                                  all           -
help/                                         staff         -
imports/                                      staff         -
imports/<code>/                               staff         -
imports/draft/<key>/                          staff         -
imports/draft/<key>/check/                    -             staff
imports/draft/<key>/columns/                  staff         staff
imports/draft/<key>/confirm/                  -             staff
imports/draft/<key>/discard/                  -             staff
imports/draft/<key>/marked/                   staff         -
imports/draft/<key>/progress/                 staff         -
imports/draft/<key>/record/                   -             staff
imports/new/                                  importing     importing
imports/template/<subject>/                   staff         -
kept/<pk>/drop/                              -             staff
labels/                                       staff         -
links/                                        office        -
links/<pk>/revoke/                            office        office
losses/                                       staff         -
lots/                                         staff         -
lots/<code>/                                  staff         -
lots/<code>/answer/                           staff+theirs  -
lots/<code>/ask/                              office        office
lots/<code>/assay/                            staff         staff
lots/<code>/attach/                           staff         staff
lots/<code>/bar/                              staff         staff
lots/<code>/bar/weights/                      staff         -
lots/<code>/charge/                           staff         -
lots/<code>/deliver/                          staff         staff
lots/<code>/grade/                            staff         -
lots/<code>/impurities/                       staff         staff
lots/<code>/label/                            staff         -
lots/<code>/melt/                             staff         staff
lots/<code>/owner/                            office        office
lots/<code>/release/                          assaying      assaying
lots/<code>/return/                           staff         staff
lots/<code>/sample/                           staff         staff
lots/<code>/set-aside/                        staff         staff
lots/<code>/settle/                           office        office
lots/<code>/share/                            office        office
lots/<code>/ship/                             staff         staff
lots/<code>/split/                            staff         staff
lots/<code>/transfer/                         staff         staff
lots/<code>/use-up/                           staff         staff
lots/<code>/weigh/                            staff         staff
lots/<code>/write-off/                        writing off   writing off
measurements/<pk>/withdraw/                   staff         staff
metrics                                       all           -
months/                                       staff         -
months/<month>/                               staff         -
months/<month>/approve/                       office        office
months/<month>/begin/                         office        office
months/<month>/close/                         office        office
months/<month>/count/                         office        office
months/<month>/how-sure/                      staff         -
months/<month>/verdict/                       staff         -
months/<month>/paper/                         staff         -
months/<month>/prepare/                       office        office
months/<month>/reopen/                        office        office
months/<month>/send-back/                     office        office
movements/                                    staff         -
movements/<sequence>/                         staff         staff
my-deliveries/                                customer      -
my-lots/                                      customer      -
openings/bag/                                 office        office
openings/claim/                               office        office
openings/electrolyte/                         office        office
openings/lot/                                 office        office
openings/recipe/                              office        office
openings/run/                                 office        office
openings/stock/                               office        office
papers/                                       office        -
papers/<pk>/file/                             office        office
papers/attach/                                office        office
password/                                     signed in     signed in
payments/                                     staff         -
payments/<code>/                              staff         -
payments/<code>/reverse/                      office        office
payments/record/                              office        office
people/                                       managing      -
people/<pk>/                                  managing      -
people/<pk>/details/                          managing      managing
people/<pk>/off/                              managing      managing
people/<pk>/on/                               managing      managing
people/<pk>/one-time-password/                managing      managing
people/<pk>/role/                             managing      managing
people/<pk>/sign-in-link/                     managing      managing
people/add/                                   managing      managing
power-statements/<pk>/withdraw/               staff         staff
prices/                                       staff         -
prices/record/                                office        office
processes/                                    staff         -
processes/<code>/                             staff         -
processes/<code>/add/                         staff         staff
processes/<code>/close/                       staff         staff
processes/<code>/take-out/                    staff         staff
processes/start/                              staff         staff
q/<code>/                                     all           -
questions/                                    staff         -
questions/<pk>/                               staff         -
questions/<pk>/answer/                        office        office
questions/<pk>/withdraw/                      office        office
read-log/                                     office        -
readings/<pk>/withdraw/                       staff         staff
receive/                                      staff         staff
receivers/                                    office        -
receivers/<pk>/secret/                        office        -
receivers/<pk>/start/                         office        office
receivers/<pk>/stop/                          office        office
receivers/add/                                office        office
receivers/late/<pk>/                          office        office
reference/balances/                           office        -
reference/balances/add/                       office        office
reference/balances/of/<code>/                 office        office
reference/cells/                              office        -
reference/cells/add/                          office        office
reference/cells/of/<code>/                    office        office
reference/parties/                            office        -
reference/parties/add/                        office        office
reference/parties/of/<code>/                  office        office
reference/places/                             office        -
reference/places/add/                         office        office
reference/places/of/<code>/                   office        office
reference/places/usual/                       office        office
runs/<code>/                                  staff         -
runs/<code>/bag/                              staff         staff
runs/<code>/close/                            staff         staff
runs/<code>/harvest/                          staff         staff
runs/<code>/power-on/                         staff         staff
runs/<code>/read/                             staff         staff
runs/<code>/readings/                         staff         staff
runs/<code>/remnant/                          staff         staff
runs/<code>/rinse/                            staff         staff
runs/<code>/start/                            staff         staff
runs/<code>/stop/                             staff         staff
runs/<code>/warnings/                         staff         staff
search/                                       staff         -
settlements/                                  staff         -
settlements/<code>/                           staff+theirs  -
settlements/<code>/approve/                   office        office
settlements/<code>/pay/                       office        office
settlements/<code>/share/                     office        office
settlements/<code>/what-if/                   staff         -
settlements/<code>/withdraw/                  office        office
shared/<token>/                               all           -
shared/<token>/<form>/                        all           -
set-up/                                       all           all
sign-in/                                      all           all
sign-in/once/                                 all           all
sign-out/                                     -             all
slimes/                                       staff         -
slimes/<code>/finish/                         staff         staff
slimes/recover/                               staff         staff
terms/                                        staff         -
terms/<code>/                                 staff         -
terms/<code>/write/                           office        office
today/cells/                                   staff         -
today/how-sure/                               staff         -
today/look-again/                             -             staff
tokens/                                       signed in     signed in
tokens/<pk>/revoke/                           -             signed in
warnings/<pk>/                                staff         staff
weighings/<pk>/post/                          staff         staff
works/backups/                                managing      managing
works/details/                                managing      managing
works/one-person/                             managing      managing
"""


def _table() -> dict[str, tuple[str, str]]:
    found = {}
    for row in _ROWS.strip().splitlines():
        address, read, write = (cell.strip() for cell in row.split("  ") if cell.strip())
        found["" if address == "(today)" else address] = (read, write)
    return found


TABLE: Final = _table()


def routes(resolver: URLResolver | None = None, before: str = "") -> Iterator[str]:
    """Every address of the site, its parameters by name alone."""
    for each in (resolver or get_resolver()).url_patterns:
        address = before + str(each.pattern).lstrip("^").rstrip("$")
        if isinstance(each, URLResolver):
            yield from routes(each, address)
        else:
            address = re.sub(r"\(\?P<(\w+)>[^)]*\)", r"<\1>", address)
            yield re.sub(r"<(?:\w+:)?(\w+)>", r"<\1>", address)
