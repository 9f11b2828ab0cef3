"""What Today lists as still missing, tick by tick."""

from __future__ import annotations

from cells.models import CellRun, ElectrolyteBatch
from cells.services.cell_reference import CellDetails, create_cell
from cells.services.open_recipe import Recipe, open_recipe
from cells.services.open_stock import Stock, open_stock
from cells.services.start_run import start_run
from lots.models import Balance, Place
from lots.queries.at_hand import lots_at_hand
from lots.services.reference import BalanceDetails, create_balance
from lots.services.usual_places import add_usual_places
from lots.services.works import WorksDetails, describe_works
from reports.queries.set_up_list import set_up_list
from tests.cells.conftest import Bench

G = 1_000_000


def missing() -> list[str]:
    return [line.text for line in set_up_list() if not line.is_done]


def test_the_list_ticks_itself_off(works, act):
    Balance.objects.all().delete()
    Place.objects.all().delete()
    everything = [line.text for line in set_up_list()]
    assert missing() == everything
    assert len(everything) == 8
    describe_works(details=WorksDetails("Gull Street Silver"), act=act())
    add_usual_places(names=["Fine safe"], act=act())
    create_balance(details=BalanceDetails("Scale", 100_000), act=act())
    assert missing() == everything[3:]
    open_stock(stock=Stock("granules", 1000 * G), act=act())
    cell = create_cell(details=CellDetails("Jug", 3 * G, 9, 10), act=act())
    assert missing() == ["Is it running already?", *everything[5:]]
    open_recipe(recipe=Recipe(480 * G, 3 * G, cell=cell), act=act())
    lines = {line.text: line for line in set_up_list()}
    (lot,) = lots_at_hand(["granules"])
    assert lines["Charge the cell"].url == f"/cells/jug/charge/?take={lot.code}%3A"
    assert lines["A scale"].url == "/reference/balances/add/?next=%2F"


def test_it_is_gone_once_a_cell_runs(works, act, browse_as):
    assert "To begin with" in browse_as(works.manager).get("/").content.decode()
    assert "To begin with" not in browse_as(works.operator).get("/").content.decode()
    bench = Bench(works)
    run = bench.charged()
    assert missing()[-1] == "Switch the current on"
    start_run(run=run, act=bench.act(1))
    assert set_up_list() == []
    assert CellRun.objects.count() == ElectrolyteBatch.objects.count() == 1
