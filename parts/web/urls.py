"""Addresses of the pages in views.py."""

from django.urls import path

from parts.web import (
    bench,
    bins,
    codes,
    interchanges,
    labels,
    models,
    photos,
    sisters,
    strip_steps,
    survival,
    views,
)

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
    path("scan/", codes.scan, name="scan"),
    path("scan/photo/", codes.scan_photo, name="scan-photo"),
    # Upper case, so that a printed address stays in the alphanumeric set of a QR code.
    path("P/<str:code>", codes.scanned, name="scanned"),
    path("photos/<uuid:photo_id>/", photos.photo, name="photo"),
    path("photos/<uuid:photo_id>/small/", photos.photo_small, name="photo-small"),
    path("photos/<uuid:photo_id>/delete/", photos.photo_delete, name="photo-delete"),
    path("donors/<path:ref>/build/", views.donor_build, name="donor-build"),
    path("donors/<path:ref>/build/choose/", views.donor_build_choose, name="donor-build-choose"),
    path("donors/<path:ref>/photos/", photos.donor_photos, name="donor-photos"),
    path("parts/<path:ref>/photos/", photos.part_photos, name="part-photos"),
    path("labels/", labels.choose, name="labels"),
    path("labels/pdf/", labels.pdf, name="labels-pdf"),
    path("labels/outlines/", labels.outlines, name="labels-outlines"),
    path("labels/address/", labels.address, name="labels-address"),
    path("models/<int:model_id>/", models.model_page, name="model"),
    path("models/<int:model_id>/last-sold/", models.model_last_sold, name="model-last-sold"),
    path("odds/parts/", survival.survival_page, name="survival"),
    path("parts/in-doubt/", sisters.warning_list, name="sister-warnings"),
    path("parts/in-doubt/<int:warning_id>/end/", sisters.warning_end, name="sister-warning-end"),
    path("parts/bins/", bins.bin_list, name="bins"),
    path("parts/", views.part_list, name="parts"),
    path("parts/new/", views.part_new, name="part-new"),
    path("parts/<path:ref>/describe/", views.part_describe, name="part-describe"),
    path("parts/<path:ref>/remove/", views.part_remove, name="part-remove"),
    path("parts/<path:ref>/test/", bench.part_test, name="part-test"),
]
