"""How alerts reach people: a member's choices and feed, the owner's webhooks, the live count."""

import hashlib
import uuid
from collections.abc import Mapping
from typing import Any

from django import forms
from django.conf import settings as site
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.template.loader import render_to_string
from django.urls import path, reverse
from django.utils import timezone
from django.utils.cache import get_conditional_response
from django.utils.http import http_date
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods

from matching import selectors
from matching.domain.echo.times import Way
from matching.echo import choices, feeds, webhooks
from matching.echo.choices import Choices, KindChoice
from matching.echo_models import WAYS
from matching.models import Alert, Delivery, EchoSettings, WebhookEndpoint
from workshop.errors import DomainError
from workshop.members import covers, current_member
from workshop.models import Member, Role
from workshop.web.forms import PlainForm, posted
from workshop.web.gate import ACTION, FORM, for_member
from workshop.web.pages import page_of

STOP_POLLING = 286  # htmx: an answer with this status ends the polling
NOTHING_NEW = 204


class ClockField(forms.TimeField):
    """A time of day such as 07:00."""

    def __init__(self, **kwargs: Any) -> None:
        widget = forms.TimeInput(format="%H:%M", attrs={"type": "time"})
        super().__init__(widget=widget, input_formats=["%H:%M", "%H:%M:%S"], **kwargs)


class ChoicesForm(PlainForm):
    """What a member chooses. The kinds of news are those there are."""

    mail_on = forms.BooleanField(required=False, label="Mail me my alerts")
    address = forms.CharField(
        required=False,
        max_length=254,
        label="E-mail address",
        widget=forms.EmailInput(attrs={"autocomplete": "email"}),
    )
    time_zone = forms.ChoiceField(label="Time zone")
    daily_at = ClockField(label="Mail once a day at")
    quiet_from = ClockField(required=False, label="Quiet from", help_text="blank: no quiet hours")
    quiet_to = ClockField(
        required=False, label="Quiet until", help_text="what came in meanwhile is mailed then"
    )

    def __init__(self, data: Any = None, *, settings: EchoSettings) -> None:
        super().__init__(data)
        zones = [(one, one.replace("_", " ")) for one in choices.known_zones()]
        self.fields["time_zone"].choices = zones  # type: ignore[attr-defined]
        for name in ("mail_on", "address", "time_zone", "daily_at", "quiet_from", "quiet_to"):
            self.fields[name].initial = getattr(settings, name)
        for news, chosen in choices.kinds_of(settings).items():
            label = Alert.News(news).label
            self.fields[f"mail_{news}"] = forms.ChoiceField(
                choices=WAYS, label=f"Mail: {label}", initial=chosen.mail.value
            )
            self.fields[f"feed_{news}"] = forms.BooleanField(
                required=False, label=f"In the feed: {label}", initial=chosen.in_feed
            )

    def kinds(self) -> list[tuple[str, Any, Any]]:
        """Return for each kind of news its words and its two fields."""
        return [
            (label, self[f"mail_{news}"], self[f"feed_{news}"])
            for news, label in Alert.News.choices
        ]

    def times(self) -> list[Any]:
        return [self[name] for name in ("time_zone", "daily_at", "quiet_from", "quiet_to")]

    def chosen(self) -> Choices:
        given = self.cleaned_data
        own = {name: given[name] for name in Choices.__dataclass_fields__ if name != "kinds"}
        own["address"] = own["address"].strip()
        kinds = {
            news: KindChoice(Way(given[f"mail_{news}"]), given[f"feed_{news}"])
            for news in Alert.News.values
        }
        return Choices(**own, kinds=kinds)


@for_member(methods=FORM)
def my_alerts(request: HttpRequest, member: Member) -> HttpResponse:
    form = ChoicesForm(posted(request), settings=choices.settings_of(member))
    if form.is_bound and form.accepts():
        try:
            choices.save_choices(member=member, choices=form.chosen(), now=timezone.now())
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, "Your choices are stored.")
            return redirect("my-alerts")
    return _show_mine(request, member, form)


def _show_mine(
    request: HttpRequest, member: Member, form: ChoicesForm | None = None, feed: str = ""
) -> HttpResponse:
    settings = choices.settings_of(member)
    form = form or ChoicesForm(settings=settings)
    shown = {
        "form": form,
        "mail_works": choices.mail_is_set_up(),
        "unconfirmed": settings.address if choices.needs_confirming(settings) else "",
        "has_feed": bool(settings.feed_hash),
        "feed_made_at": settings.feed_made_at,
        "feed_address": feed,
        "is_owner": covers(member, Role.OWNER),
    }
    return render(request, "matching/echo/my_alerts.html", shown, status=form.status)


@for_member(methods=ACTION)
def my_mail_ask(request: HttpRequest, member: Member) -> HttpResponse:
    try:
        choices.ask_again(member=member, now=timezone.now())
    except DomainError as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, "A mail with a link is on its way. Open the link to confirm.")
    return redirect("my-alerts")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def mail_confirm(request: HttpRequest, token: str) -> HttpResponse:
    """Show a button that confirms an address; opening alone does not, as mail scanners do that."""
    done = request.method == "POST"
    found = choices.confirm(token=token) if done else choices.find_confirming(token)
    shown = {"done": done, "token": token, "found": found}
    return _private(render(request, "matching/echo/mail_confirm.html", shown))


@for_member(methods=ACTION)
def my_feed(request: HttpRequest, member: Member) -> HttpResponse:
    token = choices.make_feed(member=member, now=timezone.now())
    # Shown on this very page and never again: a redirect would have to carry the secret.
    return _show_mine(request, member, feed=feed_address(request, token))


def feed_address(request: HttpRequest, token: str) -> str:
    """Return a feed's full address: on the site's own address where that is set."""
    here = reverse("feed", args=[token])
    return f"{site.SITE_ADDRESS}{here}" if site.SITE_ADDRESS else request.build_absolute_uri(here)


@for_member(methods=ACTION)
def my_feed_end(request: HttpRequest, member: Member) -> HttpResponse:
    choices.end_feed(member=member)
    messages.success(request, "Your feed is ended; its address leads nowhere now.")
    return redirect("my-alerts")


@require_http_methods(["GET", "HEAD"])
def feed(request: HttpRequest, token: str) -> HttpResponse:
    """Answer whoever knows the secret address with the member's alerts, as long as they work here.

    No cookie is read: a feed reader has none.
    """
    settings = choices.find_feed(token)
    if settings is None:
        raise Http404
    if not (settings.member.active and settings.member.user.is_active):
        return _private(HttpResponse("This feed is gone.", status=410, content_type="text/plain"))
    entries = feeds.list_entries(settings)
    address = request.build_absolute_uri("/").rstrip("/")
    body = feeds.atom(
        settings,
        entries,
        own_address=feed_address(request, token),
        site_address=site.SITE_ADDRESS or address,
    )
    answer = HttpResponse(body, content_type=feeds.MEDIA_TYPE)
    etag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
    changed = int(feeds.updated_at(settings, entries).timestamp())
    answer["ETag"] = etag
    answer["Last-Modified"] = http_date(changed)
    kept = get_conditional_response(request, etag=etag, last_modified=changed, response=answer)
    return _private(kept or answer)


def _private(answer: HttpResponse) -> HttpResponse:
    answer["Cache-Control"] = "private, no-store"
    answer["Referrer-Policy"] = "no-referrer"
    answer["X-Robots-Tag"] = "noindex, nofollow"
    return answer


@csrf_exempt  # RFC 8058: the mail program posts without a cookie; the signed token is the proof
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def mail_stop(request: HttpRequest, token: str) -> HttpResponse:
    """Show a button that stops the mails; pressed, or posted by a mail program, it does."""
    stopped = request.method == "POST"
    found = choices.stop_mail(token=token) if stopped else choices.find_stop(token)
    shown = {"stopped": stopped, "token": token, "workshop_name": found.member.workshop.name}
    return _private(render(request, "matching/echo/mail_stop.html", shown))


@never_cache
@require_http_methods(["GET", "HEAD"])
def alert_count(request: HttpRequest) -> HttpResponse:
    """Answer the head of a page with how much is unread, or that nothing changed.

    Somebody signed out is told to ask no more: being sent to sign in would lose a half-typed form.
    """
    member = current_member(request)
    if member is None:
        answer = HttpResponse(status=STOP_POLLING)
        answer["HX-Reswap"] = "none"
        return answer
    unread = selectors.count_unread(member)
    if request.GET.get("seen") == str(unread):
        return HttpResponse(status=NOTHING_NEW)
    # Without the request: the frame's own count would ask a second time.
    return HttpResponse(render_to_string("matching/echo/_count.html", {"unread_count": unread}))


class EndpointForm(PlainForm):
    """A receiver of webhooks. What is ticked is sent; kinds added later are sent too."""

    fields_of_service: Mapping[str, str] = {"leaves_out": "sends"}
    name = forms.CharField(max_length=80, label="What receives it")
    url = forms.CharField(
        max_length=500,
        label="Address",
        help_text="begins with https://, names a host on the public net",
        widget=forms.URLInput(attrs={"inputmode": "url"}),
    )
    sends = forms.MultipleChoiceField(
        required=False,
        choices=Alert.News.choices,
        label="Kinds of news sent",
        widget=forms.CheckboxSelectMultiple,
    )

    def __init__(self, data: Any = None) -> None:
        super().__init__(data)
        self.fields["sends"].initial = list(Alert.News.values)

    def chosen(self) -> dict[str, Any]:
        given = dict(self.cleaned_data)
        given["leaves_out"] = sorted(set(Alert.News.values) - set(given.pop("sends")))
        return given


@for_member(Role.OWNER, methods=FORM)
def webhook_list(request: HttpRequest, member: Member) -> HttpResponse:
    form = EndpointForm(posted(request))
    if form.is_bound and form.accepts():
        try:
            endpoint, secret = webhooks.add_endpoint(
                workshop=member.workshop, member=member, now=timezone.now(), **form.chosen()
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            return _show_endpoint(request, member, endpoint.pk, secret=secret)
    dead = webhooks.list_deliveries(member.workshop).filter(dead_at__isnull=False)
    shown = {
        "endpoints": webhooks.list_endpoints(member.workshop),
        "form": form,
        "dead_mails": dead.filter(channel=Delivery.Channel.MAIL)[:50],
    }
    return render(request, "matching/echo/webhooks.html", shown, status=form.status)


@for_member(Role.OWNER)
def webhook_page(request: HttpRequest, member: Member, endpoint_id: int) -> HttpResponse:
    return _show_endpoint(request, member, endpoint_id)


def _show_endpoint(
    request: HttpRequest,
    member: Member,
    endpoint_id: int,
    *,
    secret: str = "",
    refused: DomainError | None = None,
) -> HttpResponse:
    endpoint: WebhookEndpoint = webhooks.get_endpoint(member.workshop, endpoint_id)
    rows = webhooks.list_deliveries(member.workshop).filter(endpoint=endpoint)
    now = timezone.now()
    shown = {
        "endpoint": endpoint,
        "left_out": [Alert.News(one).label for one in endpoint.leaves_out if one in Alert.News],
        "page": page_of(request, rows),
        "secret": secret,
        "refused": refused,
        "old_signs": endpoint.old_until is not None and endpoint.old_until > now,
    }
    status = refused.status if refused else 200
    return render(request, "matching/echo/webhook.html", shown, status=status)


@for_member(Role.OWNER, methods=ACTION)
def webhook_pause(request: HttpRequest, member: Member, endpoint_id: int) -> HttpResponse:
    try:
        webhooks.pause_endpoint(
            workshop=member.workshop, endpoint_id=endpoint_id, now=timezone.now()
        )
    except DomainError as refused:
        return _refused(request, member, endpoint_id, refused)
    messages.success(request, "Paused: nothing is sent there until you resume it.")
    return redirect("webhook", endpoint_id)


@for_member(Role.OWNER, methods=ACTION)
def webhook_resume(request: HttpRequest, member: Member, endpoint_id: int) -> HttpResponse:
    try:
        webhooks.resume_endpoint(
            workshop=member.workshop, endpoint_id=endpoint_id, now=timezone.now()
        )
    except DomainError as refused:
        return _refused(request, member, endpoint_id, refused)
    messages.success(request, "Resumed: what was held is sent now.")
    return redirect("webhook", endpoint_id)


@for_member(Role.OWNER, methods=ACTION)
def webhook_rotate(request: HttpRequest, member: Member, endpoint_id: int) -> HttpResponse:
    _, secret = webhooks.rotate_secret(
        workshop=member.workshop, endpoint_id=endpoint_id, now=timezone.now()
    )
    return _show_endpoint(request, member, endpoint_id, secret=secret)


@for_member(Role.OWNER, methods=ACTION)
def webhook_remove(request: HttpRequest, member: Member, endpoint_id: int) -> HttpResponse:
    webhooks.remove_endpoint(workshop=member.workshop, endpoint_id=endpoint_id)
    messages.success(request, "The webhook is removed.")
    return redirect("webhooks")


@for_member(Role.OWNER, methods=ACTION)
def delivery_again(request: HttpRequest, member: Member, delivery_id: uuid.UUID) -> HttpResponse:
    row = webhooks.send_again(workshop=member.workshop, delivery_id=delivery_id, now=timezone.now())
    messages.success(request, "It is sent again in a moment, under the same id.")
    return redirect("webhook", row.endpoint_id) if row.endpoint_id else redirect("webhooks")


def _refused(
    request: HttpRequest, member: Member, endpoint_id: int, refused: DomainError
) -> HttpResponse:
    if refused.status == 404:
        raise refused
    return _show_endpoint(request, member, endpoint_id, refused=refused)


urlpatterns = [
    path("alerts/count/", alert_count, name="alerts-count"),
    path("me/alerts/", my_alerts, name="my-alerts"),
    path("me/feed/", my_feed, name="my-feed"),
    path("me/feed/end/", my_feed_end, name="my-feed-end"),
    path("feeds/<str:token>/", feed, name="feed"),
    path("me/alerts/ask-again/", my_mail_ask, name="my-mail-ask"),
    path("mail/confirm/<str:token>/", mail_confirm, name="mail-confirm"),
    path("mail/stop/<str:token>/", mail_stop, name="mail-stop"),
    path("webhooks/", webhook_list, name="webhooks"),
    path("webhooks/<int:endpoint_id>/", webhook_page, name="webhook"),
    path("webhooks/<int:endpoint_id>/pause/", webhook_pause, name="webhook-pause"),
    path("webhooks/<int:endpoint_id>/resume/", webhook_resume, name="webhook-resume"),
    path("webhooks/<int:endpoint_id>/rotate/", webhook_rotate, name="webhook-rotate"),
    path("webhooks/<int:endpoint_id>/remove/", webhook_remove, name="webhook-remove"),
    path("deliveries/<uuid:delivery_id>/again/", delivery_again, name="delivery-again"),
]
