"""API paths of makes and model numbers."""

from django.urls import path

from donors.api import views

urlpatterns = [
    path("makes/", views.Makes.as_view(), name="api-makes"),
    path("model-numbers/", views.ModelNumbers.as_view(), name="api-model-numbers"),
    path(
        "makes/<int:make_id>/pattern-proposal/",
        views.PatternProposal.as_view(),
        name="api-pattern-proposal",
    ),
    path("makes/<int:make_id>/pattern/", views.MakePattern.as_view(), name="api-make-pattern"),
    path("makes/<int:make_id>/date-code/", views.MakeDateCode.as_view(), name="api-make-date-code"),
    path("build-dates/decode/", views.DecodeBuildDate.as_view(), name="api-build-date-decode"),
    path("find-numbers/", views.FindNumbers.as_view(), name="api-find-numbers"),
    path("recognise/", views.Recognise.as_view(), name="api-recognise"),
]
