"""What is kept while documents are read changes no answer and no message, and a file that changes is read anew.

The judge outside of what is kept is the same reading with nothing kept; that of the quick look at all values and of the
quick look at the order of passes is the slow walk that each stands in for.
"""

from __future__ import annotations

import itertools
import os
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fuzz import mutate, targets
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner import documents, quantities
from planner.catalogue import Catalogue, load
from planner.documents import files, names, programme, shapes
from planner.documents.products import folded
from planner.errors import PlannerError
from planner.model import Day, Field, Pass, Programme, TankItem

QUIET = settings(max_examples=60, deadline=None, database=None, suppress_health_check=list(HealthCheck))


@pytest.fixture(scope="module")
def known() -> Catalogue:
    return load()


def forget() -> None:
    """Keep nothing of what was read."""
    quantities._KEPT.clear()
    for kept in (names.iso_date, folded, documents._field_of, documents._list_of, documents._sheet_list):
        kept.cache_clear()


def answer(read: Callable[[], Any]) -> tuple[str, str]:
    """What came of it, to the last bit and type: the value as Python writes it, or the message."""
    try:
        return "read", repr(read())
    except PlannerError as error:
        return "refused", str(error)


# --- amounts and dates ------------------------------------------------------------------------------------------------

DIMENSIONS = (("liquid_rate", "solid_rate"), ("dose",), ("water",), ("days",), ("hours",), ("grain_yield",), ("tank",))
WRITTEN = st.one_of(
    st.sampled_from([word.decode("utf-8", "replace") for word in mutate.WORDS]),
    st.builds(
        "{}{}{}".format,
        st.sampled_from(["1", "1.0", "1.", "01", "+1", "-1", "0", "1e0", "true", "1,5", "70", "0.07"]),
        st.sampled_from(["", " ", "  ", "\t"]),
        st.sampled_from(["", "L/ha", "l/HA", "kg/ha", "g/ha", "fl oz/ac", "oz/ac", "bu/ac", "d", "h", "gal", "xx/ha"]),
    ),
)

ASKED = st.tuples(WRITTEN, st.sampled_from(DIMENSIONS), st.sampled_from([None, 27.2155, 25.4]))


@settings(max_examples=300, deadline=None)
@given(asked=st.lists(ASKED, max_size=8))
def test_an_amount_is_the_same_read_first_and_read_again(asked: list[tuple[str, tuple[str, ...], float]]) -> None:
    """One text stands for other amounts elsewhere: ``1 oz/ac`` of a dose, ``40 bu/ac`` of another crop."""

    def read(text: str, dimensions: tuple[str, ...], bushel: float | None) -> tuple[str, str]:
        return answer(lambda: quantities.read_any(text, dimensions, name="rate", bushel_kg=bushel, crop="soybean"))

    cold = []
    for one in asked:
        quantities._KEPT.clear()
        cold.append(read(*one))
    for _ in range(2):
        assert [read(*one) for one in asked] == cold


def test_kept_amounts_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(quantities, "_MOST_KEPT", 10)
    for number in range(1, 200):
        assert quantities.read(f"{number} L/ha", "water") == float(number)
        assert len(quantities._KEPT) <= 10
    assert quantities.known("199 L/ha", ("water",)) == (199.0, "water")
    assert quantities.known("199 L/ha", ("tank",)) is None


def test_numbers_and_truth_are_no_texts_that_are_kept() -> None:
    """``1``, ``1.0`` and ``True`` are one key to Python; none of them is what a text was read as."""
    quantities.read("1 d", "days")
    for value in (1, 1.0, True):
        assert quantities.known(value, ("days",)) is None  # type: ignore[arg-type]


# --- whole documents --------------------------------------------------------------------------------------------------


@QUIET
@given(seed=st.integers(0, 2**32), kind=st.sampled_from(["programme", "field", "table", "piped", "products"]))
def test_a_document_is_read_alike_first_and_after_others(seed: int, kind: str, known: Catalogue) -> None:
    """Ten changed documents in a row, then each again with nothing kept; so are all messages, with their places."""
    drawn = random.Random(seed)
    sound = targets.seeds(kind)
    contents = [mutate.mutate(drawn, drawn.choice(sound), sound) for _ in range(10)]
    read: dict[str, Callable[[], Any]] = {
        "programme": lambda: documents.load_programme(at / "plan.yaml", known),
        "field": lambda: documents.load_field(at / "plan.yaml", known),
        "products": lambda: documents.load_products(at / "plan.yaml", known),
        "table": lambda: table("plan.csv"),
        "piped": lambda: table("plan.txt"),
    }
    at = targets.folder()
    name = {"table": "plan.csv", "piped": "plan.txt"}.get(kind, "plan.yaml")

    def table(name: str) -> Programme:
        return documents.load_programme(
            at / name, known, field=at / "quarry-bottom.yaml", products=[at / "farm-shop.yaml"]
        )

    def one(content: bytes) -> tuple[str, str]:
        (at / name).write_bytes(content)
        return answer(read[kind])

    warm = [one(content) for content in (*contents, *contents)]
    cold = []
    for content in contents:
        forget()
        cold.append(one(content))
    assert warm == cold + cold


FIELD = "field: 1\ncrop: soybean\narea: {area} ha\n"
SHOP = "products:\n  - {{name: Demo Alder 250 SC, actives: {{azoxystrobin: 250 g/L}}, price: {price} per L}}\n"
PLAN = (
    "programme: 1\nfield: field.yaml\nproducts: shop.yaml\n"
    "passes:\n  - {stage: R3, tank: [{product: Demo Alder 250 SC, rate: 0.6 L/ha}]}\n"
)


def write(path: Path, text: str) -> None:
    """Change a file so that neither its size nor its times tell."""
    path.write_text(text, encoding="utf-8")
    os.utime(path, ns=(10**18, 10**18))


def test_a_field_or_list_that_changes_is_read_anew(tmp_path: Path, known: Catalogue) -> None:
    write(tmp_path / "plan.yaml", PLAN)
    found = []
    for area, price in ((28, 41), (28, 41), (29, 41), (29, 42), (28, 41)):
        write(tmp_path / "field.yaml", FIELD.format(area=area))
        write(tmp_path / "shop.yaml", SHOP.format(price=price))
        plan = documents.load_programme(tmp_path / "plan.yaml", known)
        assert (plan.field.area, plan.products[0].price) == (area, price)
        found.append(plan.checksum)
    assert found[0] == found[1] == found[4] and len(set(found)) == 3


def test_a_field_of_many_kilobytes_is_read_and_not_kept(tmp_path: Path, known: Catalogue) -> None:
    write(tmp_path / "field.yaml", FIELD.format(area=28) + "#" * documents.KEPT_BYTES)
    one, two = (documents.load_field(tmp_path / "field.yaml", known) for _ in range(2))
    assert one == two and one is not two


def test_one_field_under_two_names_keeps_both_names(tmp_path: Path, known: Catalogue) -> None:
    for name in ("north.yaml", "south.yaml"):
        write(tmp_path / name, FIELD.format(area=28))
        assert documents.load_field(tmp_path / name, known).place.file == str(tmp_path / name)


def test_temperatures_that_change_beside_a_field_that_does_not_are_read_anew(tmp_path: Path, known: Catalogue) -> None:
    write(tmp_path / "field.yaml", "field: 1\ncrop: soybean\ntemperatures: days.csv\n")
    found = []
    for most in (19, 19, 21):
        write(tmp_path / "days.csv", f"day,min C,max C\n2026-05-12,8.5,{most}\n")
        plan = PLAN.replace("products: shop.yaml\n", "").replace(
            "product: Demo Alder 250 SC, rate: 0.6 L/ha", "active: boscalid"
        )
        write(tmp_path / "plan.yaml", plan)
        loaded = documents.load_programme(tmp_path / "plan.yaml", known)
        assert loaded.field.temperatures[0][2] == most
        found.append(loaded.checksum)
    assert found[0] == found[1] != found[2]


def test_a_field_read_by_another_catalogue_is_another_field(tmp_path: Path, known: Catalogue) -> None:
    write(tmp_path / "field.yaml", FIELD.format(area=28))
    other = load()
    one, two = (documents.load_field(tmp_path / "field.yaml", each) for each in (known, other))
    assert one == two and one is not two
    assert documents.load_field(tmp_path / "field.yaml", known) is one


# --- quick looks that stand in for slow walks -------------------------------------------------------------------------

CELLS: st.SearchStrategy[Any] = st.sampled_from(
    [None, True, 0, 1, 1.0, "", "text", "\t", "\n", "\x07", "\x85", "\xa0", "\ud800", "é", "x" * 1000, "x" * 1001]
)
NODES = st.recursive(
    CELLS,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["a", "b", "\x1f", "\xa0", "e\u0301"]), inner)
    ),
    max_leaves=12,
)


class Somewhere:
    """Knows of no places."""

    def __init__(self, data: Any) -> None:
        self.data = data

    def place(self, path: shapes.Path = ()) -> shapes.Place:
        return shapes.Place(file="f", cell=repr(path))


@settings(max_examples=500, deadline=None)
@given(data=st.dictionaries(st.sampled_from(["a", "b", "\x1f"]), NODES, max_size=4))
def test_what_the_quick_look_passes_the_walk_passes_too(data: Any) -> None:
    if shapes._fit(data):
        assert shapes._first_unfit(shapes.Part(Somewhere(data))) is None


DAYS = [Day(2026, 7, day) for day in (1, 2, 9)]
ENTRIES = st.lists(
    st.tuples(
        st.sampled_from([None, *DAYS]), st.sampled_from([None, "R1", "R2", "R3"]), st.sampled_from(["foliar", "seed"])
    ),
    min_size=1,
    max_size=5,
)


@settings(max_examples=300, deadline=None)
@given(entries=ENTRIES)
def test_the_order_of_passes_is_that_of_every_two_of_them(entries: list[Any], known: Catalogue) -> None:
    field = Field(crop="soybean", stages={"R2": DAYS[1]})
    passes = [
        Pass(number=at, date=day, stage=stage, how=how, tank=(TankItem(active="boscalid"),))
        for at, (day, stage, how) in enumerate(entries, start=1)
    ]
    part = shapes.Part(Somewhere({}))
    bbch = {stage: known.stage("soybean", stage).bbch for stage in ("R1", "R2", "R3")}

    def when(entry: Pass) -> Day | None:
        return entry.date or (DAYS[1] if entry.stage == "R2" else None)

    def pairs() -> list[str]:
        """Every pass beside each above it, by the rule for two."""
        for one, other in ((one, other) for at, one in enumerate(passes) for other in passes[:at]):
            programme._check_order(
                one, when(one), bbch.get(one.stage or ""), other, when(other), bbch.get(other.stage or ""),
                part.at(one.number - 1),
            )  # fmt: skip
        return [
            f"passes {other.number} and {one.number} are both on {one.date}; they count as two"
            for one, other in sorted(
                ((one, other) for other, one in itertools.combinations(passes, 2)),
                key=lambda pair: (pair[0].number, pair[1].number),
            )
            if one.date is not None and one.date == other.date
        ]

    quick = answer(
        lambda: [one for one in programme.check_calendar(passes, part, field, known) if "count as two" in one]
    )
    assert quick == answer(pairs)


@settings(max_examples=300, deadline=None)
@given(name=st.lists(st.sampled_from(["a", ".", "..", "/", ".yaml", ".CSV", "é", " ", "b.c"]), min_size=1).map("".join))
def test_folder_and_ending_of_a_name_are_those_of_a_path(name: str) -> None:
    """The judge is ``pathlib``; names that end in a folder are no documents."""
    if os.path.basename(name) not in ("", ".", ".."):
        assert files._folder(name) == files._folder(Path(name)) == Path(name).parent
        assert files.suffix(name) == files.suffix(Path(name)) == Path(name).suffix
    if name.endswith("/") and name.strip("/"):
        assert files._folder(name) == Path(name).parent
