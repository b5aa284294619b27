"""API paths of jobs, matches, rules and breaks; parts/find/ stands before parts/<ref>/."""

from django.urls import path, register_converter

from matching.api import breaks, listings, parting, predicted, rules, safety, strip, views
from workshop.converters import RowId

register_converter(RowId, "row")

urlpatterns = [
    path("parts/find/", views.FindPart.as_view(), name="api-find"),
    path("parts/predicted/", predicted.PredictedNumbers.as_view(), name="api-predicted"),
    path("donors/<str:ref>/strip-plan/", strip.StripPlan.as_view(), name="api-strip-plan"),
    *(
        path(
            f"donors/<str:ref>/strip-steps/<slug:slug>/{act}/",
            view.as_view(),
            name=f"api-donor-step-{act}",
        )
        for act, view in {
            "start": strip.StartStep,
            "stop": strip.StopStep,
            "finish": strip.FinishStep,
            "leave-out": strip.LeaveOutStep,
            "reopen": strip.ReopenStep,
            "minutes": strip.StepMinutes,
        }.items()
    ),
    path("parts/<str:ref>/sell/", parting.SellPart.as_view(), name="api-part-sell"),
    path("parts/<str:ref>/scrap/", parting.ScrapPart.as_view(), name="api-part-scrap"),
    path("jobs/", views.Jobs.as_view(), name="api-jobs"),
    path("jobs/<str:ref>/", views.JobDetail.as_view(), name="api-job"),
    path("jobs/<str:ref>/confirm/", views.ConfirmJob.as_view(), name="api-job-confirm"),
    path("jobs/<str:ref>/build-date/", views.JobBuildDate.as_view(), name="api-job-build-date"),
    path(
        "jobs/<str:ref>/build-date/choose/",
        views.ChooseJobBuildDate.as_view(),
        name="api-job-build-choose",
    ),
    path("jobs/<str:ref>/refuse/", views.RefuseJob.as_view(), name="api-job-refuse"),
    path("jobs/<str:ref>/safety/", safety.JobSafety.as_view(), name="api-job-safety"),
    path(
        "jobs/<str:ref>/safety/steps/", safety.JobSafetySteps.as_view(), name="api-job-safety-step"
    ),
    path("listings/", listings.Listings.as_view(), name="api-listings"),
    path("listings/import/", listings.ImportListings.as_view(), name="api-listings-import"),
    path("listings/terms/", listings.ListingTerms.as_view(), name="api-listing-terms"),
    path("listings/<str:ref>/", listings.ListingDetail.as_view(), name="api-listing"),
    path("listings/<str:ref>/close/", listings.CloseListing.as_view(), name="api-listing-close"),
    path("listings/<str:ref>/reopen/", listings.ReopenListing.as_view(), name="api-listing-reopen"),
    path("listings/<str:ref>/read/", listings.ReadListing.as_view(), name="api-listing-read"),
    path("listings/<str:ref>/buy/", listings.BuyListing.as_view(), name="api-listing-buy"),
    path("needs/", views.Needs.as_view(), name="api-needs"),
    path("matches/", views.Matches.as_view(), name="api-matches"),
    path("holds/", views.Holds.as_view(), name="api-holds"),
    path("holds/<row:pk>/release/", views.ReleaseHold.as_view(), name="api-hold-release"),
    path("holds/<row:pk>/fitted/", views.ReportFitting.as_view(), name="api-hold-fitted"),
    path("outcomes/", views.Outcomes.as_view(), name="api-outcomes"),
    path("outcomes/<row:pk>/failed/", views.ReportFailure.as_view(), name="api-outcome-failed"),
    path("rules/", rules.Rules.as_view(), name="api-rules"),
    path("rules/<row:pk>/", rules.RuleDetail.as_view(), name="api-rule"),
    path("rules/<row:pk>/impact/", rules.RuleImpact.as_view(), name="api-rule-impact"),
    path("rules/<row:pk>/comments/", rules.CommentRule.as_view(), name="api-rule-comments"),
    path("rules/<row:pk>/approve/", rules.ApproveRule.as_view(), name="api-rule-approve"),
    path("rules/<row:pk>/reject/", rules.RejectRule.as_view(), name="api-rule-reject"),
    path("rules/<row:pk>/retire/", rules.RetireRule.as_view(), name="api-rule-retire"),
    path("breaks/", breaks.BuildBreaks.as_view(), name="api-breaks"),
    path("breaks/<row:pk>/", breaks.BuildBreakDetail.as_view(), name="api-break"),
    path("breaks/<row:pk>/accept/", breaks.AcceptBreak.as_view(), name="api-break-accept"),
    path("breaks/<row:pk>/reject/", breaks.RejectBreak.as_view(), name="api-break-reject"),
    path("breaks/<row:pk>/retire/", breaks.RetireBreak.as_view(), name="api-break-retire"),
    path("alerts/", views.Alerts.as_view(), name="api-alerts"),
    path("alerts/read-all/", views.ReadAllAlerts.as_view(), name="api-alerts-read-all"),
    path("alerts/<uuid:pk>/", views.AlertDetail.as_view(), name="api-alert"),
    path("alerts/<uuid:pk>/read/", views.ReadAlert.as_view(), name="api-alert-read"),
]
