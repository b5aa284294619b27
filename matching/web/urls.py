"""Addresses of the pages. Actions come first."""

from django.urls import path

from matching.web import breaks, jobs, odds, parting, rules, views

urlpatterns = [
    path("", views.home, name="home"),
    path("alerts/", views.alert_list, name="alerts"),
    path("alerts/read/", views.alerts_read_all, name="alerts-read-all"),
    path("alerts/<uuid:alert_id>/read/", views.alert_read, name="alert-read"),
    path("breaks/", breaks.break_list, name="breaks"),
    path("breaks/<int:break_id>/accept/", breaks.break_accept, name="break-accept"),
    path("breaks/<int:break_id>/reject/", breaks.break_reject, name="break-reject"),
    path("breaks/<int:break_id>/retire/", breaks.break_retire, name="break-retire"),
    path("find/", views.find, name="find"),
    path("odds/", odds.odds_page, name="odds"),
    path("jobs/", jobs.job_list, name="jobs"),
    path("jobs/new/", jobs.job_new, name="job-new"),
    path("jobs/<path:ref>/confirm/", jobs.job_confirm, name="job-confirm"),
    path("jobs/<path:ref>/build/", jobs.job_build, name="job-build"),
    path("jobs/<path:ref>/build/choose/", jobs.job_build_choose, name="job-build-choose"),
    path("jobs/<path:ref>/refuse/", jobs.job_refuse, name="job-refuse"),
    path("jobs/<path:ref>/", jobs.job_page, name="job"),
    path("needs/<int:need_id>/hold/", jobs.hold_new, name="hold-new"),
    path("holds/<int:hold_id>/release/", jobs.hold_release, name="hold-release"),
    path("holds/<int:hold_id>/fitted/", jobs.hold_fitted, name="hold-fitted"),
    path("rules/", rules.rule_list, name="rules"),
    path("rules/<int:rule_id>/", rules.rule_page, name="rule"),
    path("rules/<int:rule_id>/comment/", rules.rule_comment, name="rule-comment"),
    path("rules/<int:rule_id>/approve/", rules.rule_approve, name="rule-approve"),
    path("rules/<int:rule_id>/reject/", rules.rule_reject, name="rule-reject"),
    path("rules/<int:rule_id>/retire/", rules.rule_retire, name="rule-retire"),
    path("donors/<path:ref>/confirm/", views.donor_confirm, name="donor-confirm"),
    path("donors/<path:ref>/", views.donor_page, name="donor"),
    path("parts/<path:ref>/sell/", parting.part_sell, name="part-sell"),
    path("parts/<path:ref>/scrap/", parting.part_scrap, name="part-scrap"),
    path("parts/<path:ref>/", views.part_page, name="part"),
]
