"""How well listings are read, beside naive peers, on invented texts.

Run by hand: pytest -n 0 -s -m speed tests/speed/test_listing_quality.py. Figures: docs/listings.md.
"""

import re
from collections import Counter
from datetime import date

import pytest
from rapidfuzz import fuzz, process

from donors.domain.model_numbers import canonical
from donors.listings.reading import read_listing
from tests.speed import listing_worlds
from workshop import reference

pytestmark = pytest.mark.speed
ON = date(2026, 11, 20)
TEXTS = 1500


def test_reading(capsys):
    catalogue, rows = listing_worlds.world(10_000)
    numbers = [canonical(number) for _, number, _ in rows]
    right, peer, of = Counter(), Counter(), Counter()
    bins = Counter(), Counter(), Counter()
    missed = Counter()
    for told in listing_worlds.listings(rows, TEXTS, seed=7):
        found = read_listing(catalogue, told.title, told.text, on=ON)
        ours = {
            "model": canonical(found.number.seen.likely.number)
            if found.number and found.number.seen.likely
            else "",
            "appliance": found.appliance,
            "cause": found.cause.cause,
            "price": found.price.cents if found.price else None,
        }
        truth = {
            "model": canonical(told.number),
            "appliance": told.appliance,
            "cause": told.cause,
            "price": told.price,
        }
        naive = _naive(told, numbers)
        for what, value in truth.items():
            group = what if what != "model" else f"model, {told.way}"
            for name in {what, group}:
                of[name] += 1
                right[name] += ours[what] == value
                peer[name] += naive[what] == value
        if found.number:
            place = min(int(found.number.odds * 10), 9)
            bins[0][place] += 1
            bins[1][place] += found.number.odds
            bins[2][place] += ours["model"] == truth["model"]
        if ours["cause"] != truth["cause"]:
            missed[truth["cause"], ours["cause"], told.text[:0]] += 1
    with capsys.disabled():
        print(
            f"\n{TEXTS} texts, {len(rows)} numbers\n"
            "| what | texts | right | peer |\n|---|---|---|---|"
        )
        for name in sorted(of):
            shares = f"{right[name] / of[name]:.3f} | {peer[name] / of[name]:.3f}"
            print(f"| {name} | {of[name]} | {shares} |")
        error = sum(abs(bins[1][b] - bins[2][b]) for b in bins[0]) / sum(bins[0].values())
        print(
            "stated odds of the model:",
            {
                b / 10: (n, round(bins[1][b] / n, 2), round(bins[2][b] / n, 2))
                for b, n in sorted(bins[0].items())
            },
        )
        print(f"calibration error {error:.3f}")
        print(missed.most_common(12))


def _naive(told, numbers):
    """Pick by plain means: the first token of letters and digits, fuzzy names, the first amount."""
    text = f"{told.title} {told.text}"
    tokens = [t for t in re.findall(r"[A-Za-z0-9][A-Za-z0-9/.-]{4,}", text) if re.search(r"\d", t)]
    best = ("", 0.0)
    for token in tokens[:4]:
        name, score, _ = process.extractOne(canonical(token), numbers, scorer=fuzz.ratio)
        if score > best[1]:
            best = (name, score)
    appliances = {row["slug"]: row["name"].lower() for row in reference.read("appliances")}
    appliance = process.extractOne(text.lower(), appliances, scorer=fuzz.partial_ratio)[2]
    causes = {
        row["slug"]: row["name"].lower()
        for row in reference.read("failure_causes")
        if row["appliance"] == appliance
    }
    _, score, cause = process.extractOne(text.lower(), causes, scorer=fuzz.partial_ratio)
    amount = re.search(r"(?:€|£|EUR)\s?(\d+)|(\d+)(?:[.,]\d+)?\s?(?:€|eur)", text, re.IGNORECASE)
    return {
        "model": best[0] if best[1] >= 80 else "",
        "appliance": appliance,
        "cause": cause if score >= 70 else "",
        "price": int(amount[1] or amount[2]) * 100 if amount else None,
    }


def test_seen_twice(capsys):
    """Precision and recall on pairs: seen again, another machine of the model, a twin."""
    import random

    from donors.domain.listings.alike import Seen, same_machine

    catalogue, rows = listing_worlds.world(10_000)
    rng = random.Random("pairs")
    found: Counter[tuple[str, str, bool]] = Counter()
    for told in listing_worlds.listings(rows, 900, seed=21):
        pairs = {"again": (listing_worlds.same_again(told, rng), True)}
        if told.number:
            pairs["another seller"] = (listing_worlds.another(told, rows, rng), False)
        first, second = listing_worlds.twin(told, rng), listing_worlds.twin(told, rng)
        pairs["twin, own serial numbers"] = (second, False)
        pairs["stranger"] = (listing_worlds.one(rows, rng), False)
        for name, (other, _) in pairs.items():
            one = first if name.startswith("twin") else told
            a, b = (_seen(catalogue, each, Seen) for each in (one, other))
            found[name, "ours", same_machine(a, b)] += 1
            found[
                name,
                "by key",
                bool(set(a.keys) & set(b.keys)) or (bool(a.model) and a.model == b.model),
            ] += 1
            found[name, "peer", fuzz.token_sort_ratio(a.text, b.text) >= 85] += 1
            found[name, "peer, set", fuzz.token_set_ratio(a.text, b.text) >= 90] += 1
    with capsys.disabled():
        print(
            "\n| pairs | n | called the same | token_sort_ratio >= 85 "
            "| token_set_ratio >= 90 | found by key |"
        )
        for name in ("again", "another seller", "twin, own serial numbers", "stranger"):
            n = found[name, "ours", True] + found[name, "ours", False]
            shares = [found[name, way, True] / n for way in ("ours", "peer", "peer, set", "by key")]
            print(f"| {name} | {n} | " + " | ".join(f"{share:.3f}" for share in shares))
        for way in ("ours", "peer", "peer, set"):
            right = found["again", way, True]
            called = sum(found[name, way, True] for name in {key[0] for key in found})
            recall = right / (right + found["again", way, False])
            print(way, f"precision {right / called:.3f} recall {recall:.3f}")


def _seen(catalogue, told, kind):
    read = read_listing(catalogue, told.title, told.text, on=ON)
    model = f"{read.number.seen.make_id}|{read.number.seen.likely_number}" if read.number else ""
    cause = "" if read.cause.cause == "unrelated" else read.cause.cause
    price = read.price.cents if read.price else None
    return kind(f"{read.title}\n{read.text}", model, cause, price)
