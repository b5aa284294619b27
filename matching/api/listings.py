"""API of machines for sale elsewhere."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from donors.domain.listings.cleaning import LARGEST_RAW
from donors.listings import services
from donors.listings.importing import LARGEST_FILE, Kind, import_file
from donors.listings.selectors import get_listing, list_listings, list_sightings_of
from donors.listings.services import Correction, Offered
from donors.models import Listing, ListingSighting
from matching.api import listing_examples
from matching.api.serializers import ReasonOutput
from matching.listings.buying import buy_listing
from matching.listings.worth import ListingWorth, weigh_listing
from matching.models import ListingMatch
from workshop.api import MemberView, PastDateField, PriceField, list_schema
from workshop.domain import money
from workshop.errors import InputRefused
from workshop.models import Role


class FindingOutput(serializers.Serializer[Any]):
    what = serializers.CharField()
    found = serializers.CharField()
    words = serializers.CharField(help_text="the words it came from")
    why = serializers.CharField()
    odds = serializers.FloatField(required=False, help_text="0 to 1, of a model number")


class ListingOutput(serializers.ModelSerializer[Listing]):
    appliance = serializers.CharField(source="appliance_id", allow_null=True)
    make = serializers.CharField(source="make.name", default="")
    cause = serializers.CharField(source="cause.slug", default="")
    price = serializers.CharField(source="price_cents", allow_null=True)
    donor_ref = serializers.CharField(source="donor.ref", default="")
    findings = FindingOutput(source="read.findings", many=True)

    class Meta:
        model = Listing
        fields = (
            "ref",
            "state",
            "source",
            "title",
            "link",
            "appliance",
            "make",
            "model_number",
            "likely_number",
            "certainty",
            "cause",
            "price",
            "currency",
            "built_from",
            "built_to",
            "seen_on",
            "last_seen_on",
            "expires_on",
            "donor_ref",
            "stated",
            "findings",
        )

    def to_representation(self, instance: Listing) -> dict[str, Any]:
        cents = instance.price_cents
        found: dict[str, Any] = super().to_representation(instance)
        found["price"] = None if cents is None else money.to_text(cents)
        return found


class SightingOutput(serializers.ModelSerializer[ListingSighting]):
    price = serializers.SerializerMethodField()

    class Meta:
        model = ListingSighting
        fields = ("seen_on", "price", "currency", "source", "link")

    def get_price(self, row: ListingSighting) -> str | None:
        return None if row.price_cents is None else money.to_text(row.price_cents)


class ServedMatch(serializers.ModelSerializer[ListingMatch]):
    need = serializers.IntegerField(source="need_id")
    kind = serializers.CharField(source="kind_id")
    reasons = ReasonOutput(many=True)

    class Meta:
        model = ListingMatch
        fields = ("need", "kind", "position", "verdict", "p_fit", "p_good", "worth", "reasons")


class ListingServesOutput(serializers.Serializer[Any]):
    job_ref = serializers.CharField(source="job.ref")
    whole = serializers.BooleanField(help_text="all the job lacks would come from it")
    counted = serializers.BooleanField(help_text="it is in the sum")
    margin = serializers.FloatField()
    why = serializers.CharField(help_text="why it is not counted")
    matches = ServedMatch(many=True)


class YieldedOutput(serializers.Serializer[Any]):
    kind = serializers.CharField(source="value.part.kind_id")
    position = serializers.CharField(source="value.part.position")
    planned = serializers.BooleanField()
    p_good = serializers.FloatField(source="value.p_good")
    price = serializers.FloatField(source="value.price")
    price_basis = serializers.CharField(source="value.price_basis")
    worth = serializers.FloatField(source="value.worth")
    for_job = serializers.CharField()


class LineOutput(serializers.Serializer[Any]):
    words = serializers.CharField()
    money = serializers.FloatField()


class ListingWorthOutput(serializers.Serializer[Any]):
    """Money in the workshop's unit."""

    worked_out = serializers.BooleanField(
        help_text="false: waiting jobs are still looked through; most and pays are null until then"
    )
    failed = serializers.BooleanField(
        help_text="they could not be looked through; it is listed among what failed"
    )
    most = serializers.FloatField(source="ceiling.most", allow_null=True, default=None)
    lines = LineOutput(source="ceiling.lines", many=True, default=list)
    asked = serializers.FloatField(allow_null=True)
    pays = serializers.BooleanField(
        allow_null=True, help_text="the asked price pays; null: it cannot be said"
    )
    pays_from = serializers.FloatField(
        allow_null=True, help_text="the chance of being as read from which it pays; null: never"
    )
    p_as_said = serializers.FloatField()
    other_currency = serializers.BooleanField()
    collection = serializers.FloatField()
    margin_percent = serializers.IntegerField()
    strip_value = serializers.FloatField(source="plan.value", allow_null=True, default=None)
    strip_minutes = serializers.FloatField(source="plan.minutes", allow_null=True, default=None)


class ListingDetailOutput(serializers.Serializer[Any]):
    listing = ListingOutput()
    worth = ListingWorthOutput(source="*")
    served = ListingServesOutput(many=True)
    yielded = YieldedOutput(many=True)
    seen = serializers.SerializerMethodField()

    @extend_schema(responses=SightingOutput(many=True))
    def get_seen(self, found: ListingWorth) -> list[dict[str, Any]]:
        rows = list_sightings_of(found.listing)
        return [dict(row) for row in SightingOutput(rows, many=True).data]


class ListingInput(serializers.Serializer[Any]):
    text = serializers.CharField(max_length=LARGEST_RAW)
    title = serializers.CharField(max_length=200, required=False, default="", allow_blank=True)
    link = serializers.CharField(max_length=500, required=False, default="", allow_blank=True)
    price = PriceField(required=False, default=None, allow_null=True)
    seen_on = PastDateField(required=False, default=None, allow_null=True)


class StoredOutput(serializers.Serializer[Any]):
    is_new = serializers.BooleanField(help_text="false: it was seen before")
    price_changed = serializers.BooleanField()
    listing = ListingOutput()


class FileInput(serializers.Serializer[Any]):
    file = serializers.FileField()
    kind = serializers.ChoiceField(choices=list(Kind), default=Kind.AUTO.value)
    dry_run = serializers.BooleanField(default=False)


class ImportedOutput(serializers.Serializer[Any]):
    kind = serializers.CharField()
    new = serializers.IntegerField()
    again = serializers.IntegerField()
    prices = serializers.IntegerField(help_text="of those seen again, at another price")


class CorrectionInput(serializers.Serializer[Any]):
    """What is left out stays as it was read."""

    appliance = serializers.CharField(required=False)
    make = serializers.CharField(required=False, allow_blank=True, max_length=80)
    model_number = serializers.CharField(required=False, allow_blank=True, max_length=80)
    cause = serializers.CharField(required=False, allow_blank=True)
    price = PriceField(required=False)
    built_from = serializers.DateField(required=False)
    built_to = serializers.DateField(required=False)
    collection = PriceField(required=False)
    margin_percent = serializers.IntegerField(required=False, min_value=0, max_value=100)


class CloseInput(serializers.Serializer[Any]):
    state = serializers.ChoiceField(choices=["gone", "declined"])
    why = serializers.CharField(max_length=200, required=False, default="", allow_blank=True)


class BuyInput(serializers.Serializer[Any]):
    paid = PriceField()
    received_on = PastDateField()
    note = serializers.CharField(max_length=2000, required=False, default="", allow_blank=True)


class BoughtOutput(serializers.Serializer[Any]):
    donor_ref = serializers.CharField(source="ref")


class Listings(MemberView):
    @list_schema(ListingOutput, row=listing_examples.LISTING)
    def get(self, request: Request) -> Response:
        """Machines for sale elsewhere, latest seen first. ?state=, ?appliance=, ?text=."""
        asked = {
            name: request.query_params.get(name, "")[:80] for name in ("state", "appliance", "text")
        }
        return self.pages(list_listings(self.workshop, **asked), ListingOutput)

    @extend_schema(
        request=ListingInput,
        responses={201: StoredOutput},
        examples=[
            OpenApiExample(
                "A pasted text",
                value={
                    "text": "Velthane washing machine, model W7-60 R1 W, does not drain. 45 EUR",
                    "link": "https://example.test/offer/7",
                },
                request_only=True,
            ),
            *listing_examples.STORED,
        ],
    )
    def post(self, request: Request) -> Response:
        """Store a pasted listing, or note that it was seen again. Nothing is fetched."""
        given = self.valid(ListingInput)
        offered = Offered(
            given["text"],
            title=given["title"],
            link=given["link"],
            price_cents=given["price"],
            seen_on=given["seen_on"],
        )
        stored = services.add_listing(
            workshop=self.workshop, offered=offered, member=self.member, on=_today()
        )
        return Response(StoredOutput(stored).data, status=201)


class ImportListings(MemberView):
    parser_classes = (MultiPartParser,)

    @extend_schema(
        request={"multipart/form-data": FileInput},
        responses={201: ImportedOutput},
        examples=listing_examples.IMPORTED,
    )
    def post(self, request: Request) -> Response:
        """Store the listings of a saved feed, CSV file, e-mail or text: all, or none."""
        given = self.valid(FileInput)
        file = given["file"]
        if file.size > LARGEST_FILE:
            raise InputRefused(
                f"The file has {file.size} bytes; at most {LARGEST_FILE} are read.",
                fields={"file": "Too large."},
            )
        done = import_file(
            workshop=self.workshop,
            raw=file.read(),
            name=file.name,
            member=self.member,
            on=_today(),
            kind=Kind(given["kind"]),
            dry_run=given["dry_run"],
        )
        return Response(ImportedOutput(done).data, status=201)


class ListingDetail(MemberView):
    @extend_schema(responses=ListingDetailOutput)
    def get(self, request: Request, ref: str) -> Response:
        """What was read, which jobs it may serve, what it would yield, the most worth paying."""
        return Response(_detail(self, ref))

    @extend_schema(
        request=CorrectionInput, responses=ListingDetailOutput, examples=listing_examples.CORRECT
    )
    def patch(self, request: Request, ref: str) -> Response:
        """State what was read wrongly, or this listing's own terms. Never read over."""
        given = dict(self.valid(CorrectionInput))
        given["price_cents"] = given.pop("price", None)
        given["collection_cents"] = given.pop("collection", None)
        services.correct_listing(workshop=self.workshop, ref=ref, correction=Correction(**given))
        return Response(_detail(self, ref))


class CloseListing(MemberView):
    @extend_schema(request=CloseInput, responses=ListingOutput, examples=listing_examples.CLOSE)
    def post(self, request: Request, ref: str) -> Response:
        """Note that it is gone, or not worth it."""
        given = self.valid(CloseInput)
        services.close_listing(
            workshop=self.workshop,
            ref=ref,
            state=Listing.State(given["state"]),
            on=_today(),
            why=given["why"],
        )
        return Response(ListingOutput(get_listing(self.workshop, ref)).data)


class ReopenListing(MemberView):
    @extend_schema(request=None, responses=ListingOutput, examples=listing_examples.REOPENED)
    def post(self, request: Request, ref: str) -> Response:
        """Take back that it is closed."""
        services.reopen_listing(workshop=self.workshop, ref=ref, on=_today())
        return Response(ListingOutput(get_listing(self.workshop, ref)).data)


class ReadListing(MemberView):
    @extend_schema(request=None, responses=ListingOutput, examples=listing_examples.READ)
    def post(self, request: Request, ref: str) -> Response:
        """Read its text again with what is known now; what a person stated stays."""
        services.read_again(workshop=self.workshop, ref=ref, on=_today())
        return Response(ListingOutput(get_listing(self.workshop, ref)).data)


class BuyListing(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(request=BuyInput, responses={201: BoughtOutput}, examples=listing_examples.BUY)
    def post(self, request: Request, ref: str) -> Response:
        """Take the machine in as a donor and close the listing. Once."""
        given = self.valid(BuyInput)
        donor = buy_listing(
            workshop=self.workshop,
            ref=ref,
            paid_cents=given["paid"],
            received_on=given["received_on"],
            note=given["note"],
        )
        return Response(BoughtOutput(donor).data, status=201)


class TermsInput(serializers.Serializer[Any]):
    days_kept = serializers.IntegerField(min_value=1, max_value=365)
    collection = PriceField()
    margin_percent = serializers.IntegerField(min_value=0, max_value=100)


class ListingTerms(MemberView):
    role = Role.OWNER

    @extend_schema(responses=TermsInput, examples=listing_examples.TERMS)
    def get(self, request: Request) -> Response:
        """The workshop's usual terms for listings."""
        return Response(self._terms())

    @extend_schema(request=TermsInput, responses=TermsInput, examples=listing_examples.SET_TERMS)
    def put(self, request: Request) -> Response:
        """Set them."""
        given = self.valid(TermsInput)
        services.set_terms(
            workshop=self.workshop,
            days_kept=given["days_kept"],
            collection_cents=given["collection"],
            margin_percent=given["margin_percent"],
        )
        return Response(self._terms())

    def _terms(self) -> dict[str, Any]:
        shop = self.workshop
        return {
            "days_kept": shop.listing_days,
            "collection": money.to_text(shop.listing_collection_cents),
            "margin_percent": shop.listing_margin_percent,
        }


def _detail(view: MemberView, ref: str) -> dict[str, Any]:
    row = get_listing(view.workshop, ref)
    return dict(ListingDetailOutput(weigh_listing(view.workshop, row, on=_today())).data)


def _today() -> Any:
    return timezone.localdate(timezone.now())
