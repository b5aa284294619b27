"""The API under /api/v1/. Finding stands before the parts' own paths."""

from django.urls import path
from drf_spectacular.views import SpectacularAPIView, SpectacularSwaggerSplitView

from donors.api.urls import urlpatterns as donors
from matching.api.urls import urlpatterns as matching
from parts.api.urls import urlpatterns as parts
from workshop.access_api import urlpatterns as access
from workshop.certificates_api import urlpatterns as certificates
from workshop.dead_letters_api import urlpatterns as dead_letters
from workshop.imports_api import urlpatterns as imports

urlpatterns = [
    *matching,
    *parts,
    *donors,
    *certificates,
    *dead_letters,
    *imports,
    *access,
    path("schema/", SpectacularAPIView.as_view(), name="api-schema"),
    path("docs/", SpectacularSwaggerSplitView.as_view(url_name="api-schema"), name="api-docs"),
]
