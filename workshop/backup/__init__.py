"""Backup and restore: the database and the files that belong to it, together, with checksums."""
