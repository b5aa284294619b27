"""Members are added by the command; roles cover those below them."""

import pytest
from django.core.management import CommandError, call_command

from tests.factories import Bench
from workshop.members import covers
from workshop.models import Member, Role, User, Workshop

pytestmark = pytest.mark.django_db

PASSWORD = "a-long-test-password"


def test_the_first_member_makes_the_first_workshop() -> None:
    call_command("add_member", "anna", role="owner", password=PASSWORD)
    member = Member.of(Workshop.objects.get()).get()
    assert (member.user.username, member.role) == ("anna", "owner")
    assert member.user.check_password(PASSWORD)
    call_command("add_member", "bert", role="owner", password=PASSWORD)
    call_command("add_member", "anna", role="technician")
    workshop = Workshop.objects.get()
    assert Member.of(workshop).get(user__username="anna").role == "technician"


@pytest.mark.parametrize("password", ["short", "password123", "12345678901"])
def test_a_weak_password_is_refused_and_nobody_is_made(password: str) -> None:
    with pytest.raises(CommandError, match="anna"):
        call_command("add_member", "anna", password=password)
    assert not User.objects.exists()


def test_each_role_covers_the_ones_before_it(bench: Bench) -> None:
    roles = list(Role)
    for rank, role in enumerate(roles):
        covered = [covers(bench.members[role.value], one) for one in roles]
        assert covered == [True] * (rank + 1) + [False] * (len(roles) - rank - 1)
