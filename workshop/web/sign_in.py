"""Signing in, in one step or two, and the page of one's own ways in."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

import segno
from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth import login, update_session_auth_hash
from django.contrib.auth import views as auth_views
from django.contrib.auth.forms import AuthenticationForm
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render, resolve_url
from django.urls import path
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from workshop.access import api_tokens, backend, devices, passwords, second_step
from workshop.errors import DomainError
from workshop.models import Member, Scope, SecondStep, User
from workshop.web.forms import PlainForm, posted
from workshop.web.gate import ACTION, FORM, for_member

WAITING = "second_step"  # in the session: who stated the password and owes the code
WITHIN = timedelta(minutes=10)
ENDED = (
    "You are signed out everywhere else. Your API tokens, your feeds and the invitations you made "
    "that stood open have ended."
)
ENDS = (
    "You stay signed in here. All other sessions and devices, your API tokens, your feeds and the "
    "invitations you made that stand open end."
)
STATED = "password_stated"  # in the session: when the password was stated, to set the step up


class NameAndPassword(AuthenticationForm):
    """Django's form with our sentences, the same for every name."""

    error_messages: Mapping[str, Any] = {  # type: ignore[assignment]
        **AuthenticationForm.error_messages,
        "invalid_login": backend.WRONG,
    }
    status = 200

    def get_invalid_login_error(self) -> ValidationError:
        if getattr(self.request, "too_many_tries", False):
            self.status = 429
            return ValidationError(backend.TOO_MANY)
        return super().get_invalid_login_error()


class SignIn(auth_views.LoginView):
    """Name and password; whoever has a second step is asked for a code before they are in."""

    template_name = "sign_in.html"
    authentication_form = NameAndPassword
    redirect_authenticated_user = True

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        user: User = form.get_user()  # type: ignore[assignment]
        now = timezone.now()
        if not second_step.is_on(user):
            answer = super().form_valid(form)
            devices.remember(self.request, answer, user, now=now)
            return answer
        self.request.session.cycle_key()
        self.request.session[WAITING] = {
            "user": user.pk,
            "password": user.get_session_auth_hash(),
            "at": now.timestamp(),
            "next": self.get_success_url(),
        }
        return redirect("sign-in-code")

    def form_invalid(self, form: AuthenticationForm) -> HttpResponse:
        answer = super().form_invalid(form)
        answer.status_code = getattr(form, "status", 200)
        return answer


class CodeForm(PlainForm):
    """A code of the app, or a recovery code."""

    code = forms.CharField(
        max_length=40,
        label="Code",
        widget=forms.TextInput(
            attrs={"autocomplete": "one-time-code", "size": 20, "autofocus": True}
        ),
    )


@sensitive_post_parameters()
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def sign_in_code(request: HttpRequest) -> HttpResponse:
    """Ask for the code; whoever has not stated a password is sent to do that first."""
    now = timezone.now()
    user = _waiting(request, now)
    if user is None:
        return redirect("sign-in")
    form = CodeForm(posted(request))
    if form.is_bound and form.accepts():
        device = devices.find_device(request, user.get_username())
        wrong_before = second_step.wrong_codes(user)
        refused = second_step.refusal(
            user=user, code=form.cleaned_data["code"], now=now, device=device
        )
        if not refused:
            return _let_in(request, user, now, wrong_before)
        form.status = 429 if refused == second_step.TOO_MANY else 400
        form.add_error("code", refused)
    return render(request, "sign_in_code.html", {"form": form}, status=form.status)


def _waiting(request: HttpRequest, now: datetime) -> User | None:
    """Return who stated a password in this session of late and has not changed it since."""
    said = request.session.get(WAITING)
    if not said or now.timestamp() - said["at"] > WITHIN.total_seconds():
        return None
    user = User.objects.filter(pk=said["user"], is_active=True).first()
    if user is None or user.get_session_auth_hash() != said["password"]:
        return None
    return user


def _let_in(request: HttpRequest, user: User, now: datetime, wrong: int) -> HttpResponse:
    wanted = request.session.pop(WAITING)["next"]
    login(request, user)
    if wrong:
        codes = "1 wrong code was" if wrong == 1 else f"{wrong} wrong codes were"
        messages.warning(
            request,
            f"{codes} typed since you last signed in. If that was not you, somebody knows your "
            "password: set a new one under Sign-in and devices.",
        )
    safe = url_has_allowed_host_and_scheme(
        wanted, allowed_hosts={request.get_host()}, require_https=request.is_secure()
    )
    answer = redirect(wanted if safe else resolve_url(settings.LOGIN_REDIRECT_URL))
    devices.remember(request, answer, user, now=now)
    return answer


class Secret(forms.CharField):
    """A password field that browsers fill in as the kind named."""

    def __init__(self, kind: str, **kwargs: Any) -> None:
        widget = forms.PasswordInput(attrs={"autocomplete": kind})
        super().__init__(widget=widget, strip=False, max_length=200, **kwargs)


class PasswordForm(PlainForm):
    """The old password and a new one, twice."""

    old = Secret("current-password", label="Password now")
    new = Secret("new-password", label="New password", help_text="At least eight characters.")
    again = Secret("new-password", label="New password again")

    def clean_again(self) -> str:
        again: str = self.cleaned_data["again"]
        if again != self.cleaned_data.get("new", again):
            raise ValidationError("The two differ.")
        return again


class TokenForm(PlainForm):
    """A token for a program."""

    name = forms.CharField(max_length=60, label="What for")
    scope = forms.ChoiceField(choices=Scope.choices, label="It may")
    days = forms.IntegerField(
        min_value=1, max_value=api_tokens.MOST_DAYS, initial=90, label="Days it lasts"
    )
    password = Secret("current-password", label="Your password")


class ConfirmForm(PlainForm):
    password = Secret("current-password", label="Your password")


@sensitive_post_parameters()
@for_member(methods=("GET", "HEAD"))
def account(request: HttpRequest, member: Member) -> HttpResponse:
    return _show(request, member)


def _show(request: HttpRequest, member: Member, **more: Any) -> HttpResponse:
    """Show the page; `more` holds the form that was refused, or what is shown once."""
    here = devices.find_device(request, member.user.get_username())
    shown = {
        "devices": member.user.known_devices.all(),
        "here": here.pk if here is not None else 0,
        "tokens": api_tokens.list_tokens(member.workshop, now=timezone.now()).filter(member=member),
        "step_on": second_step.is_on(member.user),
        "wrong_codes": second_step.wrong_codes(member.user),
        "codes_left": member.user.recovery_codes.count(),
        "password_form": PasswordForm(),
        "token_form": TokenForm(),
        **more,
    }
    status = max(
        (getattr(one, "status", 200) for one in more.values()), default=200
    )  # of the one form
    return render(request, "workshop/account.html", shown, status=status)


@sensitive_post_parameters()
@for_member(methods=ACTION)
def account_password(request: HttpRequest, member: Member) -> HttpResponse:
    form = PasswordForm(request.POST)
    if not form.accepts():
        return _show(request, member, password_form=form)
    said = form.cleaned_data
    try:
        passwords.change(
            user=member.user,
            old=said["old"],
            new=said["new"],
            now=timezone.now(),
            here=devices.find_device(request, member.user.get_username()),
        )
    except DomainError as refused:
        form.refuse(refused)
        return _show(request, member, password_form=form)
    update_session_auth_hash(request, member.user)
    messages.success(request, f"The new password is set. {ENDED}")
    return redirect("account")


@sensitive_post_parameters()
@for_member(methods=FORM)
def account_second_step(request: HttpRequest, member: Member) -> HttpResponse:
    """Ask for the password, then show the code to scan; a first code of the app turns it on."""
    if second_step.is_on(member.user):
        return redirect("account")
    if not _stated_of_late(request, timezone.now()):
        return _confirmed(request, member, title="Set up the second step", act=_begin)
    form = CodeForm(posted(request))
    if form.is_bound and form.accepts():
        try:
            codes = second_step.turn_on(
                user=member.user, code=form.cleaned_data["code"], now=timezone.now()
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            del request.session[STATED]
            return render(
                request, "workshop/recovery_codes.html", {"codes": codes, "turned_on": True}
            )
    row = second_step.begin(user=member.user, now=timezone.now())
    shown = {"form": form, "secret": second_step.secret_text(row)}
    shown["picture"] = _picture(row, request)
    return render(request, "workshop/second_step.html", shown, status=form.status)


def _begin(request: HttpRequest, member: Member) -> HttpResponse:
    request.session[STATED] = timezone.now().timestamp()
    return redirect("account-second-step")


def _stated_of_late(request: HttpRequest, now: datetime) -> bool:
    at = request.session.get(STATED, 0)
    return now.timestamp() - at <= second_step.SET_UP_WITHIN.total_seconds()


@sensitive_post_parameters()
@for_member(methods=FORM)
def account_end_others(request: HttpRequest, member: Member) -> HttpResponse:
    """End every other way in, without a new password."""
    form = ConfirmForm(posted(request))
    if form.is_bound and form.accepts():
        try:
            passwords.end_others(
                user=member.user,
                password=form.cleaned_data["password"],
                now=timezone.now(),
                here=devices.find_device(request, member.user.get_username()),
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            update_session_auth_hash(request, member.user)
            messages.success(request, ENDED)
            return redirect("account")
    shown = {"form": form, "what": "Sign out everywhere else", "why": ENDS}
    return render(request, "workshop/confirm.html", shown, status=form.status)


def _picture(row: SecondStep, request: HttpRequest) -> str:
    """Return the QR code as SVG without inline styles, as a data address."""
    address = second_step.address_for_app(row, site=request.get_host())
    return segno.make(address, error="m").svg_data_uri(scale=5, border=4, light="#ffffff")


@sensitive_post_parameters()
@for_member(methods=FORM)
def account_second_step_off(request: HttpRequest, member: Member) -> HttpResponse:
    return _confirmed(request, member, title="Turn the second step off", act=_turn_off)


def _turn_off(request: HttpRequest, member: Member) -> HttpResponse:
    second_step.turn_off(user=member.user)
    messages.success(request, "The second step is off. Name and password are enough again.")
    return redirect("account")


@sensitive_post_parameters()
@for_member(methods=FORM)
def account_codes(request: HttpRequest, member: Member) -> HttpResponse:
    if not second_step.is_on(member.user):
        return redirect("account")
    return _confirmed(request, member, title="Make new recovery codes", act=_new_codes)


def _new_codes(request: HttpRequest, member: Member) -> HttpResponse:
    codes = second_step.new_codes(member.user)
    return render(request, "workshop/recovery_codes.html", {"codes": codes})


def _confirmed(request: HttpRequest, member: Member, *, title: str, act: Any) -> HttpResponse:
    """Ask for the password, then act."""
    form = ConfirmForm(posted(request))
    if form.is_bound and form.accepts():
        try:
            passwords.confirm(
                user=member.user, password=form.cleaned_data["password"], now=timezone.now()
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            answer: HttpResponse = act(request, member)
            return answer
    shown = {"form": form, "what": title}
    return render(request, "workshop/confirm.html", shown, status=form.status)


@for_member(methods=ACTION)
def account_device_forget(request: HttpRequest, member: Member, device_id: int) -> HttpResponse:
    devices.forget_device(user=member.user, device_id=device_id)
    messages.success(request, "The device is forgotten.")
    return redirect("account")


@sensitive_post_parameters()
@for_member(methods=ACTION)
def account_token_new(request: HttpRequest, member: Member) -> HttpResponse:
    form = TokenForm(request.POST)
    if not form.accepts():
        return _show(request, member, token_form=form)
    said = form.cleaned_data
    now = timezone.now()
    try:
        passwords.confirm(user=member.user, password=said["password"], now=now)
        facts, token = api_tokens.make_token(
            member=member,
            name=said["name"],
            scope=said["scope"],
            now=now,
            lasts=timedelta(days=said["days"]),
        )
    except DomainError as refused:
        form.refuse(refused)
        return _show(request, member, token_form=form)
    return _show(request, member, new_token=token, new_name=facts.name)


@for_member(methods=ACTION)
def account_token_end(request: HttpRequest, member: Member, token_id: int) -> HttpResponse:
    """End a token: one's own here, anybody's for the owner (who comes from the page of people)."""
    api_tokens.end_token(member=member, token_id=token_id, now=timezone.now())
    messages.success(request, "The token has ended.")
    return redirect("people" if request.POST.get("from") == "people" else "account")


def sign_out(request: HttpRequest) -> HttpResponseBase:
    return auth_views.LogoutView.as_view()(request)


urlpatterns = [
    path("sign-in/", SignIn.as_view(), name="sign-in"),
    path("sign-in/code/", sign_in_code, name="sign-in-code"),
    path("sign-out/", sign_out, name="sign-out"),
    path("account/", account, name="account"),
    path("account/password/", account_password, name="account-password"),
    path("account/second-step/", account_second_step, name="account-second-step"),
    path("account/second-step/off/", account_second_step_off, name="account-second-step-off"),
    path("account/end-others/", account_end_others, name="account-end-others"),
    path("account/recovery-codes/", account_codes, name="account-codes"),
    path(
        "account/devices/<int:device_id>/forget/",
        account_device_forget,
        name="account-device-forget",
    ),
    path("account/tokens/new/", account_token_new, name="account-token-new"),
    path("account/tokens/<int:token_id>/end/", account_token_end, name="account-token-end"),
]
