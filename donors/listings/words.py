"""The words listings are read by: fixtures/reference/listing_words.json and those of the causes."""

from collections import defaultdict
from functools import lru_cache

from donors.domain.listings.wording import Vocabulary
from workshop import reference

SOUND = "unrelated"  # the cause of a machine nothing is wrong with


@lru_cache(maxsize=1)
def appliance_words() -> Vocabulary:
    """Return what kinds of machine are called; "" is a kind there is no table of parts for."""
    rows = reference.read("listing_words")["appliances"]
    return Vocabulary.of((row["appliance"], row["words"]) for row in rows)


@lru_cache(maxsize=1)
def cause_words() -> dict[str, Vocabulary]:
    """Return by appliance the words that say why a machine is given away."""
    file = reference.read("listing_words")
    told: dict[str, list[tuple[str, list[str]]]] = defaultdict(list)
    for row in file["causes"]:
        told[row["appliance"]].append((row["cause"], row["words"]))
    for row in reference.read("failure_causes"):
        told[row["appliance"]].append((row["slug"], row["words"]))
    for rows in told.values():
        rows.append((SOUND, file["sound"]["words"]))
    return {appliance: Vocabulary.of(rows) for appliance, rows in told.items()}
