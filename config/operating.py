"""Middleware for running the service: the id of a request, its log line, and the probes."""

import hmac
import ipaddress
import logging
import time
from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.utils import timezone

from workshop import health, metrics, tracing

log = logging.getLogger("workshop.requests")

Handler = Callable[[HttpRequest], HttpResponse]
HEADER = "X-Request-ID"
FORWARDED = ("X-Forwarded-For", "Forwarded", "X-Real-IP")


class FollowRequest:
    """Give the request an id, count and log it, and return the id in the reply.

    The line names the view, never the address: addresses hold what people searched for.
    """

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        with tracing.following(tracing.accepted(request.headers.get(HEADER))) as request_id:
            request.request_id = request_id  # type: ignore[attr-defined]
            begun = time.perf_counter()
            answer = self.get_response(request)
            seconds = time.perf_counter() - begun
            answer[HEADER] = request_id
            _tell(request, answer.status_code, seconds)
        return answer


def _tell(request: HttpRequest, status: int, seconds: float) -> None:
    if request.path_info in PROBES:
        return  # asked every few seconds: they would drown the rest
    found = request.resolver_match
    view = (found.view_name if found else "") or "none"
    metrics.count_request(view=view, method=request.method or "", status=status, seconds=seconds)
    facts = {"view": view, "method": request.method, "status": status}
    log.info("request answered", extra={**facts, "ms": round(seconds * 1000, 1)})


class AnswerProbes:
    """Answer /livez, /readyz and /metrics before hosts, https and sessions are looked at.

    Whoever runs the service asks by address and plain http; nothing here says a name or secret.
    """

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        probe = PROBES.get(request.path_info)
        if probe is None:
            return self.get_response(request)
        request.is_probe = True  # type: ignore[attr-defined]
        if request.method not in {"GET", "HEAD"}:
            return HttpResponse(status=405, headers={"Allow": "GET, HEAD"})
        answer = probe(request)
        answer["Cache-Control"] = "no-store"
        return answer


def livez(request: HttpRequest) -> HttpResponse:
    """Say that the process answers. Asks nothing else, so that no outage restarts it."""
    return HttpResponse("alive\n", content_type="text/plain")


def readyz(request: HttpRequest) -> HttpResponse:
    """Say whether the service does its work: database, tables, dispatcher, news, sweep."""
    found = health.readiness(now=timezone.now())
    body = {"ready": found.ready, "checks": found.checks}
    return JsonResponse(body, status=200 if found.ready else 503)


def prometheus(request: HttpRequest) -> HttpResponse:
    """Give the figures to whoever may read them."""
    if not may_read_metrics(request):
        return HttpResponse(
            "Not for you: send METRICS_TOKEN as a bearer token, or without a token set ask from "
            "this machine.\n",
            status=403,
            content_type="text/plain",
        )
    return HttpResponse(metrics.exposition(now=timezone.now()), content_type=metrics.CONTENT_TYPE)


def may_read_metrics(request: HttpRequest) -> bool:
    """Return True for the token; without one set, for a caller here that no proxy stands for."""
    token: str = settings.METRICS_TOKEN
    if token:
        stated = request.headers.get("Authorization", "")
        return hmac.compare_digest(stated.encode(), f"Bearer {token}".encode())
    if settings.BEHIND_PROXY or any(name in request.headers for name in FORWARDED):
        return False
    try:
        return ipaddress.ip_address(request.META.get("REMOTE_ADDR", "")).is_loopback
    except ValueError:
        return False


PROBES: dict[str, Handler] = {"/livez": livez, "/readyz": readyz, "/metrics": prometheus}
