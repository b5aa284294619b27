"""Who gets in: tries, devices, second step, API tokens, invitations (docs/security.md)."""
