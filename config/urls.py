"""All addresses of the service."""

from django.urls import include, path

from config import web

handler404 = "config.api_errors.not_found"
urlpatterns = [*web.urls, path("api/v1/", include("config.api_urls"))]
