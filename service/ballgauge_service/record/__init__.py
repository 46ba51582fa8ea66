"""Signed records: a verdict that can be carried, printed and verified later. Nothing is stored."""

from ballgauge_service.record.keys import (
    ALGORITHM,
    FILE_VARIABLE,
    SET_VARIABLE,
    BadKeys,
    Keyring,
    NoSigningKey,
    new_key,
)
from ballgauge_service.record.labels import LabelTooLong, read_label, write_label
from ballgauge_service.record.pictures import NothingFound, read_document
from ballgauge_service.record.prints import print_record
from ballgauge_service.record.signed import canonical_request, sign, verify

__all__ = [
    "ALGORITHM",
    "FILE_VARIABLE",
    "SET_VARIABLE",
    "BadKeys",
    "Keyring",
    "LabelTooLong",
    "NoSigningKey",
    "NothingFound",
    "canonical_request",
    "new_key",
    "print_record",
    "read_document",
    "read_label",
    "sign",
    "verify",
    "write_label",
]
