"""The works' own table of prices. No price is looked up."""

from lots.pages.lists import list_page
from reports.api.lists import LISTS

price_list = list_page(
    "reports/prices.html",
    LISTS["prices"],
    section="settlements",
    first="metal currency from_day before_day",
)
