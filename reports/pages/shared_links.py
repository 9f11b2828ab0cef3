"""Links that show one thing without a sign-in, for the office."""

from lots.pages.lists import list_page
from lots.people.access import office_page
from reports.api.lists import LISTS
from reports.queries.shared_links import is_open

link_list = list_page(
    "reports/links.html",
    LISTS["shared-links"],
    guard=office_page,
    section="settlements",
    first="customer settlement lot revoked",
    told=lambda page: [(link, is_open(link)) for link in page],
)
