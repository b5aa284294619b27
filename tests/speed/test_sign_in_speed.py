"""How long a wrong password takes for names somebody has and names nobody has. Run by hand.

The plan's figure: medians within 10 %. Measured in turns, so that other work meets both alike.
"""

import statistics
import time

import pytest
from django.test import Client, override_settings
from django.urls import reverse

from tests.factories import Bench
from workshop.access import tries
from workshop.models import Tries

pytestmark = [pytest.mark.speed, pytest.mark.django_db]

ROUNDS = 60


@override_settings(PASSWORD_HASHERS=["django.contrib.auth.hashers.Argon2PasswordHasher"])
def test_known_and_unknown_names_take_alike(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    user = bench.technician.user
    user.set_password("a-long-test-password")
    user.save()
    names = {"known": user.username, "unknown": "millrace-nobodyxxx"}
    monkeypatch.setattr(tries, "MOST", 10**6)
    monkeypatch.setattr(tries, "MOST_OF_ADDRESS", 10**6)
    taken: dict[str, list[float]] = {name: [] for name in names}
    for _ in range(ROUNDS):
        for kind, name in names.items():
            begun = time.perf_counter()
            Client().post(reverse("sign-in"), {"username": name, "password": "wrong"})
            taken[kind].append(time.perf_counter() - begun)
    medians = {kind: statistics.median(times[5:]) for kind, times in taken.items()}
    print({kind: f"{seconds * 1000:.1f} ms" for kind, seconds in medians.items()})
    assert Tries.objects.exists()
    assert max(medians.values()) / min(medians.values()) < 1.10
