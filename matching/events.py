"""What the matching app announces through the outbox. Payloads hold ids, never rows."""

NEEDS_OPENED = "matching.needs-opened"  # {"need_ids": [int]}
NEEDS_REMATCH = "matching.needs-rematch"  # {"need_ids": [int]}: knowledge or the need changed
RULE_DECIDED = "matching.rule-decided"  # {"kinds": [slug]}: in force, or out of it
OUTCOMES_RECORDED = "matching.outcomes-recorded"  # {"kinds": [slug]}
PAIRS_FOUND = "matching.pairs-found"  # {"pairs": [[need, part]], "tell": Tell's name}: left over
