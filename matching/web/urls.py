"""Addresses of the pages. Actions come first."""

from django.urls import path

from matching.web import breaks, jobs, odds, parting, rules, strip, views

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
    path("donors/<path:ref>/strip/start/", strip.strip_start, name="donor-strip-start"),
    path("donors/<path:ref>/strip/stop/", strip.strip_stop, name="donor-strip-stop"),
    path("donors/<path:ref>/strip/finish/", strip.strip_finish, name="donor-strip-finish"),
    path("donors/<path:ref>/strip/leave-out/", strip.strip_leave_out, name="donor-strip-leave-out"),
    path("donors/<path:ref>/strip/reopen/", strip.strip_reopen, name="donor-strip-reopen"),
    path("donors/<path:ref>/strip/minutes/", strip.strip_minutes, name="donor-strip-minutes"),
    path("donors/<path:ref>/strip/", strip.strip_page, name="donor-strip"),
    path("donors/<path:ref>/", views.donor_page, name="donor"),
    path("parts/<path:ref>/sell/", parting.part_sell, name="part-sell"),
    path("parts/<path:ref>/scrap/", parting.part_scrap, name="part-scrap"),
    path("parts/<path:ref>/", views.part_page, name="part"),
]
