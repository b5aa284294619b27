"""donors.csv, parts.csv and interchange.csv."""

from parts.exchange.donors import Donors
from parts.exchange.interchanges import Interchanges
from parts.exchange.stock import Parts
from workshop.exchange.sheets import register

register(Donors())
register(Parts())
register(Interchanges())
