"""Lists of the office: prices, links and delivery notes, as the API narrows and orders them."""

from django.db.models import Count

from lots.api.lists import LISTS as OF_LOTS
from lots.models import DeliveryNote
from lots.pages.lists import list_page
from lots.people.access import office_page
from reports.api.lists import LISTS
from reports.queries.shared_links import is_open

price_list = list_page(
    "reports/prices.html",
    LISTS["prices"],
    section="settlements",
    first="metal currency from_day before_day",
)
link_list = list_page(
    "reports/links.html",
    LISTS["shared-links"],
    guard=office_page,
    section="settlements",
    first="customer settlement lot revoked",
    told=lambda page: [(link, is_open(link)) for link in page],
)
delivery_list = list_page(
    "reports/deliveries.html",
    OF_LOTS["delivery-notes"],
    rows=DeliveryNote.objects.select_related("party", "delivered_by").annotate(lots=Count("lines")),
    section="bench",
    first="kind party lot",
)
