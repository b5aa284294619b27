"""The page of people: roles, invitations, tokens; and the page an invitation leads to."""

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth import login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from workshop import members
from workshop.access import api_tokens, devices, passwords, people
from workshop.errors import DomainError, InputRefused
from workshop.members import covers
from workshop.models import Member, Role, User
from workshop.web.forms import PlainForm, posted
from workshop.web.gate import ACTION, FORM, for_member
from workshop.web.sign_in import ConfirmForm, Secret


class InviteForm(PlainForm):
    """Whom to invite as what. An owner takes the password: they stay when a session is ended."""

    role = forms.ChoiceField(choices=Role.choices, initial=Role.TECHNICIAN)
    note = forms.CharField(max_length=60, required=False, label="For whom")
    days = forms.IntegerField(
        min_value=1, max_value=people.MOST_DAYS, initial=people.LASTS_DAYS, label="Days it lasts"
    )
    password = Secret("current-password", label="Your password, for an owner", required=False)

    def clean(self) -> dict[str, Any]:
        said = self.cleaned_data
        if said.get("role") == Role.OWNER and not said.get("password"):
            self.add_error("password", "To invite an owner, state your password.")
        return said


@sensitive_post_parameters()
@for_member(methods=FORM)
def people_page(request: HttpRequest, member: Member) -> HttpResponse:
    """Show who works here; a POST makes an invitation, whose link is shown this once."""
    form = InviteForm(posted(request))
    link = ""
    if form.is_bound:
        members.require(request, Role.OWNER)
    if form.is_bound and form.accepts():
        try:
            token = _invited(member, **form.cleaned_data)
        except DomainError as refused:
            form.refuse(refused)
        else:
            link = people.address_of(token, request)
            form = InviteForm()
    return _show(request, member, form, link=link)


def _invited(member: Member, *, role: str, password: str, **said: Any) -> str:
    now = timezone.now()
    if role == Role.OWNER:
        passwords.confirm(user=member.user, password=password, now=now)
    _, token = people.invite(member=member, role=role, now=now, **said)
    return token


def _show(
    request: HttpRequest,
    member: Member,
    form: InviteForm | None = None,
    *,
    link: str = "",
    refused: DomainError | None = None,
) -> HttpResponse:
    form = form or InviteForm()
    is_owner = covers(member, Role.OWNER)
    now = timezone.now()
    shown = {
        "rows": members.list_all(member.workshop),
        "roles": Role.choices,
        "form": form,
        "link": link,
        "refused": refused,
        "is_owner": is_owner,
        "invitations": people.list_open(member.workshop, now=now) if is_owner else [],
        "tokens": api_tokens.list_tokens(member.workshop, now=now) if is_owner else [],
    }
    status = refused.status if refused else form.status
    return render(request, "workshop/people.html", shown, status=status)


def _unsure(
    request: HttpRequest, member: Member, member_id: int, **change: Any
) -> HttpResponse | None:
    """Return the page that asks for the password where a change makes an owner, else None."""
    if not people.makes_owner(workshop=member.workshop, member_id=member_id, **change):
        return None
    asked = "password" in request.POST
    form = ConfirmForm(request.POST if asked else None)
    if asked and form.accepts():
        try:
            passwords.confirm(
                user=member.user, password=form.cleaned_data["password"], now=timezone.now()
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            return None
    who = members.find_member(member.workshop, member_id)
    hidden = {name: request.POST[name] for name in ("role", "active") if name in request.POST}
    shown = {"form": form, "what": f"Make {who} an owner", "hidden": hidden, "back": "people"}
    return render(request, "workshop/confirm.html", shown, status=form.status)


@sensitive_post_parameters()
@for_member(Role.OWNER, methods=ACTION)
def people_role(request: HttpRequest, member: Member, member_id: int) -> HttpResponse:
    role = request.POST.get("role", "")
    asking = _unsure(request, member, member_id, role=role)
    if asking is not None:
        return asking
    try:
        row = people.change(workshop=member.workshop, member_id=member_id, role=role, by=member)
    except DomainError as refused:
        if refused.status == 404:
            raise
        return _show(request, member, refused=refused)
    messages.success(request, f"{row} is {row.get_role_display()} now.")
    return redirect("people")


@sensitive_post_parameters()
@for_member(Role.OWNER, methods=ACTION)
def people_active(request: HttpRequest, member: Member, member_id: int) -> HttpResponse:
    active = request.POST.get("active") == "1"
    asking = _unsure(request, member, member_id, active=active) if active else None
    if asking is not None:
        return asking
    try:
        if request.POST.get("active") not in {"0", "1"}:
            members.find_member(member.workshop, member_id)
            raise InputRefused("Say whether they may work here: use the buttons of this page.")
        row = people.change(workshop=member.workshop, member_id=member_id, active=active, by=member)
    except DomainError as refused:
        if refused.status == 404:
            raise
        return _show(request, member, refused=refused)
    done = "may work here again" if active else "is shut out; their API tokens ended"
    messages.success(request, f"{row} {done}.")
    return redirect("people")


@for_member(Role.OWNER, methods=ACTION)
def invitation_withdraw(request: HttpRequest, member: Member, invitation_id: int) -> HttpResponse:
    people.withdraw(workshop=member.workshop, invitation_id=invitation_id)
    messages.success(request, "The invitation is taken back. Its link leads nowhere.")
    return redirect("people")


class JoinForm(PlainForm):
    """What somebody new wants to sign in with."""

    username = forms.CharField(
        max_length=150,
        label="Name to sign in with",
        widget=forms.TextInput(attrs={"autocomplete": "username"}),
    )
    password = Secret("new-password", label="Password", help_text="At least eight characters.")
    again = Secret("new-password", label="Password again")

    def clean_again(self) -> str:
        again: str = self.cleaned_data["again"]
        if again != self.cleaned_data.get("password", again):
            raise forms.ValidationError("The two differ.")
        return again


@sensitive_post_parameters()
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def join(request: HttpRequest, token: str) -> HttpResponse:
    """Join by an invitation: as whoever is signed in, else as somebody new."""
    now = timezone.now()
    found = people.find_invitation(token, now=now)
    form = JoinForm(posted(request))
    signed_in = request.user.is_authenticated
    if form.is_bound and (signed_in or form.accepts()):
        who: User | people.NewName
        if signed_in:
            who = request.user  # type: ignore[assignment]
            form = JoinForm()
        else:
            said = form.cleaned_data
            who = people.NewName(said["username"], said["password"])
        try:
            member = people.join(token=token, who=who, now=now)
        except DomainError as refused:
            if signed_in:
                raise
            form.refuse(refused)
        else:
            return _welcome(request, member, signed_in=signed_in)
    shown = {"invitation": found, "form": form, "signed_in": signed_in}
    return render(request, "workshop/join.html", shown, status=form.status)


def _welcome(request: HttpRequest, member: Member, *, signed_in: bool) -> HttpResponse:
    answer = redirect("home")
    if not signed_in:
        login(request, member.user)
        devices.remember(request, answer, member.user, now=timezone.now())
    request.session["workshop"] = member.workshop.slug
    messages.success(request, f"You work in {member.workshop} now, as {member.get_role_display()}.")
    return answer


urlpatterns = [
    path("people/", people_page, name="people"),
    path("people/<int:member_id>/role/", people_role, name="people-role"),
    path("people/<int:member_id>/active/", people_active, name="people-active"),
    path(
        "people/invitations/<int:invitation_id>/withdraw/",
        invitation_withdraw,
        name="invitation-withdraw",
    ),
    path("join/<str:token>/", join, name="join"),
]
