"""All addresses of the service."""

from django.urls import include, path

from config import web

urlpatterns = [*web.urls, path("api/v1/", include("config.api_urls"))]
