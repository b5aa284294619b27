"""Addresses of the pages in views.py."""

from django.urls import path

from parts.web import bench, interchanges, models, sisters, strip_steps, survival, views

urlpatterns = [
    path("interchanges/", interchanges.interchange_list, name="interchanges"),
    path("interchanges/new/", interchanges.interchange_new, name="interchange-new"),
    path(
        "interchanges/<int:interchange_id>/remove/",
        interchanges.interchange_remove,
        name="interchange-remove",
    ),
    path("donors/new/", views.donor_new, name="donor-new"),
    path("strip-steps/<slug:appliance>/", strip_steps.step_list, name="strip-steps"),
    path("strip-steps/<slug:appliance>/new/", strip_steps.step_new, name="strip-step-new"),
    path("strip-steps/<slug:appliance>/minutes/", strip_steps.step_minutes, name="strip-minutes"),
    path("strip-steps/<slug:appliance>/rate/", strip_steps.strip_rate, name="strip-rate"),
    path("models/<int:model_id>/", models.model_page, name="model"),
    path("models/<int:model_id>/last-sold/", models.model_last_sold, name="model-last-sold"),
    path("odds/parts/", survival.survival_page, name="survival"),
    path("parts/in-doubt/", sisters.warning_list, name="sister-warnings"),
    path("parts/in-doubt/<int:warning_id>/end/", sisters.warning_end, name="sister-warning-end"),
    path("parts/", views.part_list, name="parts"),
    path("parts/new/", views.part_new, name="part-new"),
    path("parts/<path:ref>/describe/", views.part_describe, name="part-describe"),
    path("parts/<path:ref>/remove/", views.part_remove, name="part-remove"),
    path("parts/<path:ref>/test/", bench.part_test, name="part-test"),
]
