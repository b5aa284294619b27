"""What the parts app announces through the outbox. Payloads hold ids, never rows."""

PARTS_ARRIVED = "parts.parts-arrived"  # {"part_ids": [int]}: there is something new to offer
PARTS_CHANGED = "parts.parts-changed"  # {"part_ids": [int]}: number, grade, state or price
KNOWLEDGE_CHANGED = "parts.knowledge-changed"  # {"kinds": [slug]}: interchange or sightings
SIGHTINGS_NOTED = "parts.sightings-noted"  # {"kinds": [slug]}: seen anew; nothing to match by it
PART_FAILED_IN_USE = "parts.part-failed-in-use"  # {"part_id": int}: its sisters are flagged
