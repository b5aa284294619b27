"""Whether a member covers a role, asked by a page: `{% if member|covers:"owner" %}`.

A built-in of all templates (config/settings/base.py), so that none compares roles by itself.
"""

from django import template

from workshop import members
from workshop.models import Member, Role

register = template.Library()


@register.filter
def covers(member: Member, role: str) -> bool:
    return members.covers(member, Role(role))
