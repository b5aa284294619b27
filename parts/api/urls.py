"""API paths of donors and parts."""

from django.urls import path

from parts.api import (
    bench,
    corrections,
    duties,
    interchanges,
    labels,
    photos,
    plate_photos,
    sisters,
    strip_steps,
    survival,
    views,
)

urlpatterns = [
    path("interchanges/", interchanges.Interchanges.as_view(), name="api-interchanges"),
    path(
        "interchanges/<row:pk>/",
        interchanges.InterchangeDetail.as_view(),
        name="api-interchange",
    ),
    path(
        "donors/<str:ref>/build-date/", views.DonorBuildDate.as_view(), name="api-donor-build-date"
    ),
    path(
        "donors/<str:ref>/build-date/choose/",
        views.ChooseDonorBuildDate.as_view(),
        name="api-donor-build-choose",
    ),
    path("donors/<str:ref>/photos/", photos.DonorPhotos.as_view(), name="api-donor-photos"),
    path("parts/<str:ref>/photos/", photos.PartPhotos.as_view(), name="api-part-photos"),
    path("photos/<uuid:pk>/", photos.PhotoDetail.as_view(), name="api-photo"),
    path("photos/<uuid:pk>/picture/", photos.PhotoPicture.as_view(), name="api-photo-picture"),
    path("plates/read/", plate_photos.ReadPlate.as_view(), name="api-plate-read"),
    path("label-sheets/", labels.LabelSheets.as_view(), name="api-label-sheets"),
    path("labels/", labels.Labels.as_view(), name="api-labels"),
    path("donors/", views.Donors.as_view(), name="api-donors"),
    path("donors/<str:ref>/", views.Donor.as_view(), name="api-donor"),
    path("donors/<str:ref>/record/", corrections.DonorRecord.as_view(), name="api-donor-record"),
    path("donors/<str:ref>/confirm/", views.ConfirmDonor.as_view(), name="api-donor-confirm"),
    path("strip-steps/<slug:appliance>/", strip_steps.StripSteps.as_view(), name="api-strip-steps"),
    path(
        "strip-steps/<slug:appliance>/<slug:slug>/minutes/",
        strip_steps.StripStepMinutes.as_view(),
        name="api-strip-step-minutes",
    ),
    path("strip-rate/", strip_steps.StripRate.as_view(), name="api-strip-rate"),
    path("spare-part-duties/", duties.SparePartDuties.as_view(), name="api-duties"),
    path(
        "model-numbers/<row:pk>/spare-part-duties/",
        duties.ModelDuties.as_view(),
        name="api-model-duties",
    ),
    path("model-numbers/<row:pk>/last-sold/", duties.LastSold.as_view(), name="api-last-sold"),
    path("survival/", survival.Survival.as_view(), name="api-survival"),
    path("sister-warnings/", sisters.SisterWarnings.as_view(), name="api-sister-warnings"),
    path(
        "sister-warnings/<row:pk>/end/",
        sisters.EndSisterWarning.as_view(),
        name="api-sister-warning-end",
    ),
    path("parts/", views.Parts.as_view(), name="api-parts"),
    path("parts/by-code/<str:code>/", views.PartByCode.as_view(), name="api-part-by-code"),
    path("parts/<str:ref>/", views.Part.as_view(), name="api-part"),
    path("parts/<str:ref>/remove/", views.RemovePart.as_view(), name="api-part-remove"),
    path("parts/<str:ref>/bench-form/", bench.BenchForm.as_view(), name="api-bench-form"),
    path("parts/<str:ref>/bench-tests/", bench.BenchRecords.as_view(), name="api-bench-tests"),
    path(
        "parts/<str:ref>/bench-tests/preview/",
        bench.PreviewBenchTest.as_view(),
        name="api-bench-preview",
    ),
    path("parts/<str:ref>/tests/", views.BenchTests.as_view(), name="api-part-tests"),
]
