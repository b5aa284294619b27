def member_and_inbox(request):
    return {}
