"""``sources.yaml``, the one bibliography, and ``catalogue.yaml``, which dates the data."""

from __future__ import annotations

from planner.catalogue_read.reading import Reading
from planner.model import Source


def read_sources(reading: Reading) -> None:
    """Every publication that a row may cite."""
    for layer, top in reading.documents("sources.yaml"):
        for key, row in top.mapping("sources", required=True):
            reading.once(layer, "source", key, row)
            title = row.text("title", required=True)
            reading.all.sources[key] = Source(
                key=key,
                title=title,
                publisher=row.text("publisher"),
                year=row.text("year"),
                section=row.text("section"),
                address=row.text("address"),
                note=row.text("note"),
            )
            row.finish()
        top.finish()


def read_version(reading: Reading) -> None:
    """Version and date of the data, and when they should be reviewed."""
    for _layer, top in reading.documents("catalogue.yaml"):
        reading.all.version = top.text("version", required=True)
        reading.all.date = top.date("date", required=True)
        reading.all.review_by = top.date("review_by", required=True)
        basis = top.row("review_by_basis") or top.row("review_basis")
        if basis is not None:
            reading.backing(basis)
            basis.finish()
        top.finish()
