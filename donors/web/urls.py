"""Addresses of the pages in views.py."""

from django.urls import path

from donors.web import views

urlpatterns = [
    path("donors/", views.donor_list, name="donors"),
    path("makes/", views.make_list, name="makes"),
    path("makes/new/", views.make_new, name="make-new"),
    path("models/", views.model_list, name="models"),
    path("models/new/", views.model_new, name="model-new"),
]
