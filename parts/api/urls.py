"""API paths of donors and parts."""

from django.urls import path

from parts.api import bench, interchanges, views

urlpatterns = [
    path("interchanges/", interchanges.Interchanges.as_view(), name="api-interchanges"),
    path(
        "interchanges/<row:pk>/",
        interchanges.InterchangeDetail.as_view(),
        name="api-interchange",
    ),
    path("donors/", views.Donors.as_view(), name="api-donors"),
    path("donors/<str:ref>/", views.Donor.as_view(), name="api-donor"),
    path("donors/<str:ref>/confirm/", views.ConfirmDonor.as_view(), name="api-donor-confirm"),
    path("parts/", views.Parts.as_view(), name="api-parts"),
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
