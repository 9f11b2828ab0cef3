"""Root addresses: the pages, the API with its schema and documentation, and the admin."""

from django.contrib import admin
from django.urls import URLPattern, URLResolver, include, path
from django.views.generic import RedirectView
from drf_spectacular.views import SpectacularAPIView

from config import pages
from config.api_description import DescriptionPage
from config.running import health, metrics
from lots.people.sign_in import SignIn, SignInOnce

handler400 = pages.bad_request
handler403 = pages.not_allowed
handler404 = pages.not_found
handler500 = pages.broken

urlpatterns: list[URLPattern | URLResolver] = [
    # One door only, with one count of who failed at it.
    path("admin/login/", RedirectView.as_view(pattern_name="sign-in", query_string=True)),
    path("admin/", admin.site.urls),
    path("api/schema/", SpectacularAPIView.as_view(), name="schema"),
    path("api/docs/", DescriptionPage.as_view(url_name="schema"), name="api-docs"),
    path("api/v1/", include("lots.api.urls")),
    path("api/v1/", include("cells.api.urls")),
    path("api/v1/", include("reports.api.urls")),
    path("health/live", health.live, name="live"),
    path("health/ready", health.ready, name="ready"),
    path("metrics", metrics.metrics_page, name="metrics"),
    path("sign-in/", SignIn.as_view(), name="sign-in"),
    path("sign-in/once/", SignInOnce.as_view(), name="sign-in-once"),
    path("sign-out/", pages.SignOut.as_view(), name="sign-out"),
    path("", include("lots.pages.urls")),
    path("", include("cells.pages.urls")),
    path("", include("reports.pages.urls")),
]
