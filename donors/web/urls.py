"""Addresses of the pages in views.py."""

from django.urls import path

from donors.web import views

urlpatterns = [
    path("donors/", views.donor_list, name="donors"),
    path("makes/", views.make_list, name="makes"),
    path("makes/new/", views.make_new, name="make-new"),
    path("makes/<int:make_id>/pattern/", views.make_pattern, name="make-pattern"),
    path("makes/<int:make_id>/date-code/", views.make_date_code, name="make-date-code"),
    path("models/", views.model_list, name="models"),
    path("models/new/", views.model_new, name="model-new"),
]
