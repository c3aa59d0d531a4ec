"""Documents: every slip gets one error with file, line, cause and cure; what is right loads and comes back the same.

The shapes are those of our own contract, and the wrong inputs its list; the outside facts used are ISO 8601 (dates),
ISO 3166-1 and 3166-2 (places), ISO 4217 (currencies), RFC 4180 (CSV) and YAML 1.2.2.
"""

from __future__ import annotations

import datetime
import hashlib
import io
import time
from functools import cache
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner import catalogue as catalogues
from planner import documents, yamlio
from planner.catalogue import Catalogue
from planner.documents import words
from planner.documents.csvtext import read_csv
from planner.errors import InputError
from planner.model import (
    Accept,
    Application,
    CropLabel,
    Field,
    FieldTarget,
    Pass,
    Product,
    Programme,
    Season,
    TankItem,
)

SCENARIOS = Path(__file__).resolve().parent.parent / "shared" / "scenarios"


@cache
def catalogue() -> Catalogue:
    return catalogues.load()


FIELD = """\
field: 1
name: Quarry Bottom
crop: soybean
area: 28 ha
country: CA
region: CA-ON
sown: 2026-05-12
stages: {R1: 2026-07-02, R3: 2026-07-16}
harvest: 2026-09-30
targets:
  - {target: sclerotinia-stem-rot, pressure: high, cultivar: susceptible}
  - {target: frogeye-leaf-spot, pressure: moderate, resistant: [FRAC 11]}
grain: {yield: 3.4 t/ha, price: 480 per t}
application: {cost: 22 per ha, water: 187 L/ha, droplets: medium, tank: 3000 L, boom: 27 m, speed: 12 km/h}
history:
  - {season: 2025, crop: soybean, groups: [[FRAC 11, FRAC 3], [FRAC 11]]}
"""

# as the contract prints it, with the key `products` once for the version and once for the list
SHOP = """\
products: 1
currency: CAD
products:
  - name: Demo Alder 250 SC           # invented
    kind: fungicide
    actives: {azoxystrobin: 250 g/L}
    price: 41.00 per L
    on_hand: 60 L
    label:
      soybean:
        rate: [0.4 L/ha, 1.0 L/ha]
        applications: 2
        active_total: {azoxystrobin: 0.5 kg/ha}
        interval: 14 d
        stages: [V5, R6]
        harvest_interval: 14 d
        consecutive: 1
        water: 94 L/ha
        reentry: 12 h
        protection: 14 d
        targets: {frogeye-leaf-spot: good, sclerotinia-stem-rot: poor}
  - name: Demo Chert 70 WG
    actives: {boscalid: 70 % w/w}
    price: 120 per kg
"""

PROGRAMME = """\
programme: 1
name: Suggested by the supplier
field: field.yaml
products: shop.yaml
passes:
  - date: 2026-07-02
    stage: R1
    how: foliar
    tank:
      - {product: Demo Alder 250 SC, rate: 0.6 L/ha}
      - {active: prothioconazole, dose: 150 g/ha}
    water: 187 L/ha
    droplets: medium
    canopy: closing
  - stage: R3
    tank:
      - {product: demo chert 70 wg, rate: 7 oz/ac}
accept:
  - {rule: ROT01, passes: [1, 2], reason: only stock left in the district}
"""


class Folder:
    """A folder with the three documents, in which a test changes one thing."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.write("field.yaml", FIELD)
        self.write("shop.yaml", SHOP)
        self.write("programme.yaml", PROGRAMME)

    def write(self, name: str, content: str | bytes) -> Path:
        file = self.path / name
        file.write_bytes(content.encode() if isinstance(content, str) else content)
        return file

    def change(self, name: str, old: str, new: str) -> None:
        text = (self.path / name).read_text()
        assert text.count(old) >= 1, old
        self.write(name, text.replace(old, new, 1))

    def load(self, name: str = "programme.yaml", **options: object) -> Programme:
        return documents.load_programme(self.path / name, catalogue(), **options)  # type: ignore[arg-type]

    def error(self, name: str = "programme.yaml", **options: object) -> InputError:
        with pytest.raises(InputError) as caught:
            self.load(name, **options)
        assert "\n" not in str(caught.value)
        return caught.value


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return Folder(tmp_path)


# --- what is right -----------------------------------------------------------------------------------


def test_the_documents_of_the_contract_load(folder: Folder) -> None:
    programme = folder.load()
    field = programme.field
    assert (field.name, field.crop, field.area, field.country, field.region) == (
        "Quarry Bottom",
        "soybean",
        28.0,
        "CA",
        "CA-ON",
    )
    assert field.sown == datetime.date(2026, 5, 12)
    assert field.stages == {"R1": datetime.date(2026, 7, 2), "R3": datetime.date(2026, 7, 16)}
    assert field.targets is not None
    assert [entry.target for entry in field.targets] == ["sclerotinia-stem-rot", "frogeye-leaf-spot"]
    assert field.targets[1].resistant == ("FRAC 11",)
    assert (field.grain_yield, field.grain_price) == (3400.0, 0.48)
    assert field.application == Application(cost=22, water=187, droplets="M", tank=3000, boom=27, speed=12)
    assert field.history == (Season(season="2025", crop="soybean", groups=(("FRAC 11", "FRAC 3"), ("FRAC 11",))),)
    alder, chert = programme.products
    label = alder.labels["soybean"]
    assert (alder.amount_unit, alder.actives, alder.price, alder.on_hand) == (
        "L/ha",
        {"azoxystrobin": 250.0},
        41.0,
        60.0,
    )
    assert (label.rate_least, label.rate_most, label.applications, label.interval) == (0.4, 1.0, 2, 14)
    assert (label.first_stage, label.last_stage, label.harvest_interval, label.consecutive) == ("V5", "R6", 14, 1)
    assert (label.water, label.reentry, label.protection) == (94.0, 12.0, 14.0)
    assert label.active_total == {"azoxystrobin": 500.0}
    assert label.targets == {"frogeye-leaf-spot": "good", "sclerotinia-stem-rot": "poor"}
    assert (chert.kind, chert.formulation, chert.amount_unit, chert.actives) == (
        "fungicide",
        "WG",
        "kg/ha",
        {"boscalid": 700.0},
    )
    first, second = programme.passes
    assert (first.number, first.date, first.stage, first.how) == (1, datetime.date(2026, 7, 2), "R1", "foliar")
    assert (first.water, first.droplets, first.canopy) == (187.0, "M", "closing")
    assert first.tank[0].product == "Demo Alder 250 SC"
    assert (first.tank[0].rate, first.tank[0].unit) == (0.6, "L/ha")
    assert (first.tank[1].active, first.tank[1].dose) == ("prothioconazole", 150.0)
    assert (second.date, second.stage, second.tank[0].product) == (None, "R3", "Demo Chert 70 WG")
    assert second.tank[0].rate == pytest.approx(0.4903724, abs=1e-6)  # 7 oz/ac x 70.0532 g/ha (NIST)
    assert programme.accept[0].rule == "ROT01"
    assert programme.currency == "CAD"
    assert (first.place.line, second.tank[0].place.line, programme.accept[0].place.line) == (6, 17, 19)
    assert programme.notices == ()


def test_a_field_name_a_sowing_date_and_a_spray_list_are_enough(folder: Folder) -> None:
    folder.write(
        "short.yaml",
        "field: {name: Long Strip, crop: soybean, sown: 2026-05-12}\n"
        "passes:\n  - {stage: R1, tank: [{active: azoxystrobin}]}\n",
    )
    programme = folder.load("short.yaml")
    assert programme.field.targets is None
    assert programme.products == ()
    assert programme.passes[0].tank[0].dose is None


def test_names_come_out_in_the_catalogues_spelling(folder: Folder) -> None:
    folder.change("field.yaml", "sclerotinia-stem-rot", "White-Mold")
    folder.change("field.yaml", "resistant: [FRAC 11]", "resistant: [frac11]")
    folder.change("field.yaml", "{R1: 2026-07-02", "{r1: 2026-07-02")
    folder.change("programme.yaml", "active: prothioconazole", "active: Prothioconazole")
    programme = folder.load()
    assert programme.field.targets is not None
    assert programme.field.targets[0].target == "sclerotinia-stem-rot"
    assert programme.field.targets[1].resistant == ("FRAC 11",)
    assert list(programme.field.stages) == ["R1", "R3"]
    assert programme.passes[0].tank[1].active == "prothioconazole"


def test_a_target_may_stand_as_a_bare_name(folder: Folder) -> None:
    folder.write("f.yaml", "crop: soybean\ntargets: [white-mold, frogeye-leaf-spot]\n")
    field = documents.load_field(folder.path / "f.yaml", catalogue())
    assert field.targets is not None
    assert [entry.target for entry in field.targets] == ["sclerotinia-stem-rot", "frogeye-leaf-spot"]


def test_field_and_products_of_the_command_line_win(folder: Folder) -> None:
    folder.write("other.yaml", "crop: soybean\nname: Other\n")
    folder.write("shop2.yaml", SHOP.replace("250 g/L", "200 g/L"))
    programme = folder.load(field=folder.path / "other.yaml", products=[folder.path / "shop2.yaml"])
    assert programme.field.name == "Other"
    assert programme.products[0].actives == {"azoxystrobin": 200.0}


def test_standard_input(folder: Folder) -> None:
    text = "field: {crop: soybean}\npasses:\n  - {stage: R1, tank: [{active: azoxystrobin}]}\n"
    programme = documents.load_programme("-", catalogue(), stdin=io.BytesIO(text.encode()))
    assert programme.file == "standard input"
    with pytest.raises(InputError, match="two documents are asked from it"):
        documents.load_programme("-", catalogue(), field="-", stdin=io.BytesIO(text.encode()))
    rows = b"pass,stage,active,rate,unit\n1,R1,azoxystrobin,150,g/ha\n"
    programme = documents.load_programme("-", catalogue(), field=folder.path / "field.yaml", stdin=io.BytesIO(rows))
    assert programme.passes[0].tank[0].dose == 150


def test_several_lists_and_products_inline(folder: Folder) -> None:
    folder.write("more.yaml", "products:\n  - {name: Demo Marl 125 SC, actives: {flutriafol: 125 g/L}}\n")
    folder.change("programme.yaml", "products: shop.yaml", "products: [shop.yaml, more.yaml]")
    assert [product.name for product in folder.load().products] == [
        "Demo Alder 250 SC",
        "Demo Chert 70 WG",
        "Demo Marl 125 SC",
    ]
    folder.change("programme.yaml", "more.yaml]", "{name: Demo Marl 125 SC, actives: {flutriafol: 125 g/L}}]")
    assert folder.load().products[2].actives == {"flutriafol": 125.0}


def test_checksum_covers_every_file_in_a_fixed_order(folder: Folder) -> None:
    digest = hashlib.sha256()
    for name in ("programme.yaml", "field.yaml", "shop.yaml"):
        content = (folder.path / name).read_bytes()
        digest.update(len(content).to_bytes(8, "big") + content)
    assert folder.load().checksum == digest.hexdigest()
    before = folder.load().checksum
    folder.change("shop.yaml", "41.00", "42.00")
    assert folder.load().checksum != before


def test_seed_treatments_may_lie_before_sowing(folder: Folder) -> None:
    folder.change("programme.yaml", "  - date: 2026-07-02\n", SEED)
    programme = folder.load()
    assert programme.passes[0].how == "seed"


SEED = """\
  - date: 2026-04-20
    how: seed
    tank: [{active: fludioxonil, dose: 5 g/ha}]
  - date: 2026-07-02
"""


# --- what is wrong in a programme --------------------------------------------------------------------

# id: old text, new text, line, part of the problem, part of the cure
PROGRAMME_SLIPS = {
    "misspelt active": ("prothioconazole", "prothioconazol", 11, "unknown active 'prothioconazol'", "prothioconazole"),
    "misspelt product": (
        "Demo Alder 250",
        "Demo Aldr 250",
        10,
        "unknown product 'Demo Aldr 250 SC'",
        "Demo Alder 250 SC",
    ),
    "active in place of a product": (
        "product: Demo Alder 250 SC, rate: 0.6 L/ha",
        "product: azoxystrobin",
        10,
        "'azoxystrobin' is an active",
        "write active: azoxystrobin",
    ),
    "product in place of an active": (
        "active: prothioconazole, dose: 150 g/ha",
        "active: Demo Chert 70 WG",
        11,
        "'Demo Chert 70 WG' is a product",
        "write product: Demo Chert 70 WG",
    ),
    "misspelt stage": ("- stage: R3", "- stage: R33", 15, "unknown stage 'R33'", "did you mean R3"),
    "stage without scale": ("- stage: R3", '- stage: "65"', 15, "stage '65' names no scale", "BBCH65"),
    "stage as number": ("- stage: R3", "- stage: 65", 15, "stage 65 is written as a number", "BBCH65"),
    "misspelt unit": ("7 oz/ac", "7 ozz/ac", 17, "unknown unit 'ozz/ac'", "did you mean oz/ac?"),
    "bare rate": ("rate: 0.6 L/ha", "rate: 0.6", 10, "rate 0.6 has no unit", "write 0.6 L/ha or 0.6 fl oz/ac"),
    "bare water": ("water: 187 L/ha", "water: 187", 12, "water 187 has no unit", "write 187 L/ha or 187 gal/ac"),
    "misspelt key": (
        "    droplets: medium",
        "    droplet: medium",
        13,
        "unknown key 'droplet'",
        "did you mean droplets?",
    ),
    "misspelt key at the top": ("accept:", "acept:", 18, "unknown key 'acept' in a programme", "did you mean accept?"),
    "unknown key": ("    droplets: medium", "    wind: low", 13, "unknown key 'wind'", "its keys are date, stage, how"),
    "duplicate key": ("    canopy: closing", "    water: 100 L/ha", 14, "'water' is given twice", "keep one"),
    "missing tank": (
        "    tank:\n      - {product: demo chert 70 wg, rate: 7 oz/ac}\n",
        "",
        15,
        "this entry of 'passes' lacks 'tank'",
        "add tank:",
    ),
    "empty tank": (
        "  - stage: R3\n    tank:\n",
        "  - stage: R3\n    tank: []\n    #",
        16,
        "the tank of pass 2 is empty",
        "add tank:",
    ),
    "neither date nor stage": ("- stage: R3\n    tank", "- tank", 15, "pass 2 has neither date nor stage", "add date"),
    "a list where a mapping belongs": (
        "{product: demo chert 70 wg, rate: 7 oz/ac}",
        "[Demo Chert 70 WG, 7 oz/ac]",
        17,
        "takes keys with values, not a list",
        "its keys are product, active",
    ),
    "a mapping where a list belongs": (
        "    tank:\n      - {product: demo",
        "    tank:\n      {product: demo",
        16,
        "'tank' takes a list, not a mapping",
        "tank: [{product",
    ),
    "text where a mapping belongs": (
        "      - {product: demo chert 70 wg, rate: 7 oz/ac}",
        "      - Demo Chert",
        17,
        "takes keys with values, not the text 'Demo Chert'",
        "its keys are product",
    ),
    "negative rate": (
        "rate: 0.6 L/ha",
        "rate: -0.6 L/ha",
        10,
        "rate -0.6 L/ha is negative",
        "write between 0.005 and 50",
    ),
    "absurd rate": ("rate: 0.6 L/ha", "rate: 600 L/ha", 10, "too large for a rate of liquid product", "between"),
    "absurd dose": ("150 g/ha", "150 kg/ha", 11, "dose 150 kg/ha is too large", "write between"),
    "absurd water": (
        "water: 187 L/ha",
        "water: 187000 L/ha",
        12,
        "water 187000 L/ha is too large",
        "between 1 and 5000",
    ),
    "liquid by weight": ("rate: 0.6 L/ha", "rate: 8 oz/ac", 10, "which is a liquid", "for fluid ounces write fl oz"),
    "solid by volume": ("7 oz/ac", "7 fl oz/ac", 17, "which is a solid", "measure it by weight"),
    "rate of a bare active": ("dose: 150 g/ha", "rate: 0.3 L/ha", 11, "its amount is a dose", "write dose: 150 g/ha"),
    "dose of a product": ("rate: 0.6 L/ha", "dose: 150 g/ha", 10, "its amount is a rate", "write rate: 0.6 L/ha"),
    "product and active": (
        "{product: Demo Alder 250 SC,",
        "{product: Demo Alder 250 SC, active: boscalid,",
        10,
        "both a product and an active",
        "write one",
    ),
    "neither product nor active": (
        "{active: prothioconazole, ",
        "{",
        11,
        "neither product nor active",
        "add product: NAME",
    ),
    "twice in one tank": (
        "{active: prothioconazole, dose: 150 g/ha}",
        "{product: Demo Alder 250 SC, rate: 0.1 L/ha}",
        11,
        "is in this tank twice",
        "add the two amounts",
    ),
    "date before sowing": (
        "2026-07-02",
        "2026-05-01",
        6,
        "pass 1 on 2026-05-01 is before sowing on 2026-05-12",
        "how: seed",
    ),
    "date after harvest": (
        "- stage: R3",
        "- date: 2026-10-05",
        15,
        "pass 2 on 2026-10-05 is after harvest on 2026-09-30",
        "correct one",
    ),
    "a year too late": ("date: 2026-07-02", "date: 2027-07-02", 6, "416 days from sowing", "correct the year"),
    "passes out of order by date": (
        "- stage: R3",
        "- date: 2026-06-30",
        15,
        "pass 2 on 2026-06-30 comes before pass 1 on 2026-07-02",
        "put the passes in the order",
    ),
    "passes out of order by stage": (
        "- stage: R3",
        "- stage: V5",
        15,
        "pass 2 at V5 comes before pass 1 at R1",
        "in the order",
    ),
    "passes out of order by the field's dates": (
        "  - date: 2026-07-02\n    stage: R1",
        "  - date: 2026-07-20",
        14,
        "pass 2 at R3 comes before pass 1 at 2026-07-20, by the field's stage dates",
        "in the order",
    ),
    "no such day": ("2026-07-02", "2026-02-30", 6, "date '2026-02-30' is not in the calendar", "year-month-day"),
    "date the other way round": (
        "2026-07-02",
        "02/07/2026",
        6,
        "is no date that the planner reads",
        "for example 2026-07-02",
    ),
    "date as number": ("2026-07-02", "20260702", 6, "'date' cannot be the number 20260702", "year-month-day"),
    "unknown droplets": ("medium", "mediumm", 13, "unknown droplet class 'mediumm'", "did you mean medium"),
    "unknown canopy": ("closing", "closin", 14, "'canopy' cannot be 'closin'", "did you mean closing?"),
    "unknown how": (
        "how: foliar",
        "how: aerial",
        8,
        "'how' cannot be 'aerial'",
        "write one of foliar, seed, in-furrow",
    ),
    "unknown rule": ("ROT01", "ROT09", 19, "unknown rule 'ROT09'", "did you mean ROT0"),
    "rule by its name": ("ROT01", "same-group-in-succession", 19, "unknown rule", "write rule: ROT01"),
    "unknown pass": ("passes: [1, 2]", "passes: [1, 3]", 19, "there is no pass 3", "passes 1 to 2"),
    "pass as text": ("passes: [1, 2]", "passes: [one]", 19, "takes a whole number, not the text 'one'", "a number"),
    "no reason": (", reason: only stock left in the district", "", 19, "lacks 'reason'", "add reason:"),
    "empty reason": ("only stock left in the district", '" "', 19, "the reason is empty", "say in words"),
    "empty key": ("    canopy: closing", "    canopy:", 14, "'canopy' is empty", "leave the key out"),
    "wrong version": ("programme: 1", "programme: 2", 1, "'programme: 2' is not a version", "write programme: 1"),
    "name as number": (
        "name: Suggested by the supplier",
        "name: 2026",
        2,
        "'name' takes text, not the number 2026",
        '"2026"',
    ),
    "no passes": (
        PROGRAMME[PROGRAMME.index("passes:") : PROGRAMME.index("accept:")],
        "passes: []\n",
        5,
        "has no passes",
        "- stage: R3",
    ),
    "passes as text": (
        PROGRAMME[PROGRAMME.index("passes:") : PROGRAMME.index("accept:")],
        "passes: R3\n",
        5,
        "'passes' takes a list, not the text 'R3'",
        "begin each pass with '- '",
    ),
    "no such field file": (
        "field: field.yaml",
        "field: feild.yaml",
        3,
        "there is no file 'feild.yaml'",
        "did you mean field.yaml?",
    ),
    "file outside the folder": (
        "field: field.yaml",
        "field: ../secret.yaml",
        3,
        "lies outside the folder",
        "command line",
    ),
    "absolute path": ("field: field.yaml", "field: /etc/passwd", 3, "lies outside the folder", "command line"),
    "no field": ("field: field.yaml\n", "", 1, "the programme names no field", "--field"),
    "no product list": ("products: shop.yaml\n", "", 9, "there is no product list", "--products"),
    "NaN": ("0.6 L/ha", ".nan", 10, "is not a finite number", "write a number"),
    "alias": ("how: foliar", "how: *x", 8, "an alias (*x) stands here", "write the value out"),
    "anchor": ("how: foliar", "how: &x foliar", 8, "an anchor", "write the value out"),
    "control character": ("Suggested", "Sugg\x1bested", 2, "a control character (U+001B)", "remove it"),
    "control character by escape": ("Suggested by the supplier", '"\\e[31mred"', 2, "a control character", "remove"),
    "line break in a name": ("prothioconazole", '"prothio\\nconazole"', 11, "unknown active 'prothio conazole'", ""),
}


@pytest.mark.parametrize("slip", PROGRAMME_SLIPS)
def test_slips_in_a_programme(folder: Folder, slip: str) -> None:
    old, new, line, problem, cure = PROGRAMME_SLIPS[slip]
    folder.change("programme.yaml", old, new)
    error = folder.error()
    assert str(error).startswith(f"{folder.path / 'programme.yaml'}:{line}: "), str(error)
    assert problem in error.problem
    assert cure in error.cure


# --- what is wrong in a field ------------------------------------------------------------------------

FIELD_SLIPS = {
    "unknown crop": ("crop: soybean", "crop: soybaen", 3, "unknown crop 'soybaen'", "did you mean soybean"),
    "no crop": ("crop: soybean\n", "", 1, "this field document lacks 'crop'", "add crop: soybean"),
    "bare area": ("area: 28 ha", "area: 28", 4, "area 28 has no unit", "write 28 ha or 28 ac"),
    "negative area": ("area: 28 ha", "area: -28 ha", 4, "area -28 ha is negative", "write between"),
    "absurd area": ("area: 28 ha", "area: 2800000 ha", 4, "too large for an area", "write between"),
    "area in litres": ("area: 28 ha", "area: 28 L", 4, "which does not fit an area", "write 28 ha or 70 ac"),
    "country by name": ("country: CA", "country: Canada", 5, "is no ISO 3166-1 code", "write CA (Canada)"),
    "country nearly": ("country: CA", "country: Untied States", 5, "is no ISO 3166-1 code", "write US (United States)"),
    "no such country": ("country: CA", "country: XQ", 5, "is no ISO 3166-1 code", "two-letter"),
    "region elsewhere": ("region: CA-ON", "region: US-IL", 6, "region US-IL lies in US", "correct one of the two"),
    "region no code": ("region: CA-ON", "region: Ontario", 6, "is no ISO 3166-2 code", "CA-ON"),
    "harvest before sowing": ("2026-09-30", "2026-04-30", 9, "harvest 2026-04-30 is not after sowing", "correct one"),
    "harvest years later": ("2026-09-30", "2028-09-30", 9, "days after sowing 2026-05-12", "correct the year"),
    "stage before sowing": (
        "R1: 2026-07-02",
        "R1: 2026-05-02",
        8,
        "stage R1 on 2026-05-02 is before sowing",
        "correct one",
    ),
    "stage after harvest": ("R3: 2026-07-16", "R3: 2026-10-16", 8, "is after harvest on 2026-09-30", "correct one"),
    "stages the wrong way": ("R3: 2026-07-16", "R3: 2026-06-16", 8, "stage R1 comes before R3", "correct one"),
    "stage twice": ("R3: 2026-07-16", "r1: 2026-07-16", 8, "stage R1 is given twice", "keep one"),
    "unknown stage": ("R3: 2026-07-16", "Q3: 2026-07-16", 8, "unknown stage 'Q3'", "for example R2"),
    "stages as a list": (
        "{R1: 2026-07-02, R3: 2026-07-16}",
        "[R1, R3]",
        8,
        "takes keys with values, not a list",
        "R1: 2026",
    ),
    "unknown target": (
        "frogeye-leaf-spot",
        "frogey-leaf-spot",
        12,
        "unknown target 'frogey-leaf-spot'",
        "frogeye-leaf-spot",
    ),
    "target of another crop": ("frogeye-leaf-spot", "late-blight", 12, "unknown target 'late-blight'", ""),
    "target twice": ("frogeye-leaf-spot", "white-mold", 12, "target sclerotinia-stem-rot is given twice", "keep one"),
    "pressure misspelt": (
        "moderate, resistant",
        "modrate, resistant",
        12,
        "'pressure' cannot be 'modrate'",
        "moderate",
    ),
    "group as number": (
        "[FRAC 11]}",
        "[11]}",
        12,
        "group code 11 is written as a number",
        "write scheme and code, for example FRAC 11",
    ),
    "group without scheme": ("[FRAC 11]}", '["11"]}', 12, "group code '11' names no scheme", "FRAC 11"),
    "unknown group": ("[FRAC 11]}", "[FRAC 411]}", 12, "unknown group 'FRAC 411'", "FRAC"),
    "grain price unit": ("480 per t", "480 per ha", 13, "does not fit a price of the crop", "480 per t"),
    "bare price": ("480 per t", "480", 13, "price 480 has no unit", "write 480 per t or 480 per bu"),
    "speed unit": ("12 km/h", "12 km", 14, "which does not fit a speed", "12 km/h"),
    "negative cost": ("22 per ha", "-22 per ha", 14, "is negative", "or 0"),
    "history group as number": (
        "[[FRAC 11, FRAC 3], [FRAC 11]]",
        "[[11, 3]]",
        16,
        "group code 11 is written as a number",
        "FRAC 11",
    ),
    "history not by pass": (
        "[[FRAC 11, FRAC 3], [FRAC 11]]",
        "[FRAC 11]",
        16,
        "'groups' takes a list",
        "[[FRAC 11, FRAC 3]",
    ),
    "history crop misspelt": (
        "season: 2025, crop: soybean",
        "season: 2025, crop: soybeen",
        16,
        "unknown crop 'soybeen'",
        "soybean",
    ),
    "latitude": ("name: Quarry Bottom", "latitude: 435", 2, "is not on the globe", "43.5"),
    "maturity group as number": (
        "name: Quarry Bottom",
        "maturity_group: 2.5",
        2,
        "takes text, not the number 2.5",
        '"2.5"',
    ),
    "maturity group": ("name: Quarry Bottom", 'maturity_group: "25"', 2, "maturity group '25' is not one", '"2.5"'),
    "type": ("name: Quarry Bottom", "type: winterr", 2, "'type' cannot be 'winterr'", "did you mean winter?"),
    "currency": ("name: Quarry Bottom", "currency: dollars", 2, "is no ISO 4217 code", "CAD"),
    "unknown key": ("harvest:", "harvst:", 9, "unknown key 'harvst' in a field document", "did you mean harvest?"),
    "sown as number": ("sown: 2026-05-12", "sown: 2026", 7, "'sown' cannot be the number 2026", "year-month-day"),
    "country as boolean": ("country: CA", "country: true", 5, "'country' cannot be 'true'", '"NO"'),
}


@pytest.mark.parametrize("slip", FIELD_SLIPS)
def test_slips_in_a_field(folder: Folder, slip: str) -> None:
    old, new, line, problem, cure = FIELD_SLIPS[slip]
    folder.change("field.yaml", old, new)
    error = folder.error()
    assert str(error).startswith(f"{folder.path / 'field.yaml'}:{line}: "), str(error)
    assert problem in error.problem
    assert cure in error.cure


def test_slips_in_an_inline_field_stand_at_their_line(folder: Folder) -> None:
    folder.change("programme.yaml", "field: field.yaml", "field:\n  crop: soybean\n  sown: 2026-13-01")
    error = folder.error()
    assert str(error.place).endswith("programme.yaml:5")
    assert "'2026-13-01' is not in the calendar" in error.problem


def test_norway_is_a_country(folder: Folder) -> None:
    # YAML 1.1 reads NO as false; YAML 1.2.2, section 10.3.2, does not
    folder.write("f.yaml", "crop: barley\ncountry: NO\n")
    assert documents.load_field(folder.path / "f.yaml", catalogue()).country == "NO"


def test_a_region_gives_the_country(folder: Folder) -> None:
    folder.write("f.yaml", "crop: barley\nregion: dk-84\n")
    field = documents.load_field(folder.path / "f.yaml", catalogue())
    assert (field.country, field.region) == ("DK", "DK-84")


def test_earlier_crops_outside_the_catalogue_are_kept(folder: Folder) -> None:
    folder.change("field.yaml", "season: 2025, crop: soybean", "season: 2025, crop: buckwheat groats")
    assert folder.load().field.history[0].crop == "buckwheat groats"


def test_history_begins_with_the_newest(folder: Folder) -> None:
    folder.change("field.yaml", "history:\n", "history:\n  - {season: 2023, crop: corn, groups: []}\n")
    error = folder.error()
    assert str(error.place).endswith("field.yaml:17")
    assert error.problem == "season 2025 stands below season 2023"


# --- what is wrong in a product list -----------------------------------------------------------------

SHOP_SLIPS = {
    "misspelt active": (
        "{azoxystrobin: 250 g/L}",
        "{azoxystrobn: 250 g/L}",
        6,
        "unknown active 'azoxystrobn'",
        "azoxystrobin",
    ),
    "bare content": ("250 g/L", "250", 6, "azoxystrobin 250 has no unit", "write 250 g/L or 250 lb/gal"),
    "percent of what": ("250 g/L", "25 %", 6, "can mean two things", "% w/w"),
    "content against formulation": ("70 % w/w", "700 g/L", 23, "is a solid (WG)", "write the content in g/kg"),
    "content over all": ("70 % w/w", "1100 g/kg", 23, "too large", "1000 g/kg"),
    "price by weight": ("41.00 per L", "41.00 per kg", 7, "which is a liquid", "measure it by volume"),
    "bare price": ("41.00 per L", "41.00", 7, "price 41.0 has no unit", "write 41.0 per L"),
    "negative price": ("41.00 per L", "-41.00 per L", 7, "is negative", "or 0"),
    "stock by weight": ("on_hand: 60 L", "on_hand: 60 kg", 8, "which is a liquid", "60 L"),
    "unknown crop on the label": ("      soybean:", "      soya bean:", 10, "unknown crop 'soya bean'", "soybean"),
    "one rate": ("[0.4 L/ha, 1.0 L/ha]", "[0.4 L/ha]", 11, "'rate' takes 2 values, 1", "the least and the most"),
    "rate not a list": ("[0.4 L/ha, 1.0 L/ha]", "1.0 L/ha", 11, "'rate' takes a list", "[a, b]"),
    "rates the wrong way": ("[0.4 L/ha, 1.0 L/ha]", "[1.0 L/ha, 0.4 L/ha]", 11, "is above the most", "[least, most]"),
    "rate by weight": ("[0.4 L/ha, 1.0 L/ha]", "[0.4 kg/ha, 1.0 kg/ha]", 11, "which is a liquid", "by volume"),
    "no applications": ("applications: 2", "applications: 0", 12, "applications 0 is not believable", "between 1 and"),
    "applications as text": ("applications: 2", "applications: two", 12, "takes a whole number", "such as 2"),
    "half an application": ("applications: 2", "applications: 1.5", 12, "takes a whole number", "such as 2"),
    "total of another active": (
        "{azoxystrobin: 0.5",
        "{boscalid: 0.5",
        13,
        "limits boscalid",
        "write one of azoxystrobin",
    ),
    "bare total": ("0.5 kg/ha", "0.5", 13, "azoxystrobin 0.5 has no unit", "0.5 kg/ha"),
    "bare interval": ("interval: 14 d", "interval: 14", 14, "interval 14 has no unit", "write 14 d"),
    "interval in hours": ("interval: 14 d", "interval: 30 h", 14, "is not a whole number of days", "14 d"),
    "interval in litres": ("interval: 14 d", "interval: 14 L", 14, "does not fit a number of days", "14 d"),
    "stage as number": ("stages: [V5, R6]", "stages: [V5, 79]", 15, "stages 79 is written as a number", "BBCH79"),
    "stages the wrong way": (
        "stages: [V5, R6]",
        "stages: [R6, V5]",
        15,
        "the first stage R6 comes after the last",
        "[first, last]",
    ),
    "stage unknown": ("stages: [V5, R6]", "stages: [V5, R66]", 15, "unknown stage 'R66'", "R6"),
    "negative days to harvest": ("harvest_interval: 14 d", "harvest_interval: -1 d", 16, "is negative", "or 0"),
    "bare water": ("water: 94 L/ha", "water: 94", 18, "water 94 has no unit", "94 L/ha"),
    "rating word": (
        "frogeye-leaf-spot: good",
        "frogeye-leaf-spot: splendid",
        21,
        "cannot be 'splendid'",
        "poor, fair, good",
    ),
    "rating target": ("{frogeye-leaf-spot", "{frogeye-leafspot", 21, "unknown target", "frogeye-leaf-spot"),
    "kind misspelt": ("kind: fungicide", "kind: fungicde", 5, "unknown kind of product", "fungicide"),
    "kind against actives": ("kind: fungicide", "kind: herbicide", 5, "listed as herbicide", "write kind: fungicide"),
    "formulation": ("kind: fungicide", "formulation: QQ", 5, "unknown formulation 'QQ'", "write one of"),
    "unknown key": ("    on_hand:", "    onhand:", 8, "unknown key 'onhand'", "did you mean on_hand?"),
    "no name": (
        "  - name: Demo Chert 70 WG\n    actives",
        "  - actives",
        22,
        "this entry of 'products' lacks 'name'",
        "add name:",
    ),
    "listed twice": ("Demo Chert 70 WG", "demo alder  250 sc", 22, "is listed twice, first in line 4", "keep one"),
    "no actives": (
        "    actives: {boscalid: 70 % w/w}\n",
        "    kind: fungicide\n",
        22,
        "lists no actives",
        "add actives:",
    ),
    "neither kind nor actives": (
        "    actives: {boscalid: 70 % w/w}\n",
        "",
        22,
        "has neither kind nor actives",
        "add actives",
    ),
    "currency": ("currency: CAD", "currency: CAN$", 2, "is no ISO 4217 code", "CAD"),
    "demo": ("currency: CAD", "demo: maybe", 2, "takes true or false", "true or false"),
}


@pytest.mark.parametrize("slip", SHOP_SLIPS)
def test_slips_in_a_product_list(folder: Folder, slip: str) -> None:
    old, new, line, problem, cure = SHOP_SLIPS[slip]
    folder.change("shop.yaml", old, new)
    error = folder.error()
    assert str(error).startswith(f"{folder.path / 'shop.yaml'}:{line}: "), str(error)
    assert problem in error.problem
    assert cure in error.cure


def test_one_product_in_two_lists(folder: Folder) -> None:
    folder.write("again.yaml", SHOP)
    folder.change("programme.yaml", "products: shop.yaml", "products: [shop.yaml, again.yaml]")
    assert "is listed already, in" in folder.error().problem


def test_two_currencies_cannot_be_added(folder: Folder) -> None:
    folder.change("field.yaml", "name: Quarry Bottom", "currency: USD")
    error = folder.error()
    assert "prices are in two currencies: the field in USD, 'Demo Alder 250 SC' in CAD" in error.problem


def test_old_letters_of_formulations(folder: Folder) -> None:
    folder.change("shop.yaml", "Demo Chert 70 WG", "Demo Chert 70 DF")
    folder.change("programme.yaml", "demo chert 70 wg", "Demo Chert 70 DF")
    assert folder.load().products[1].formulation == "WG"


# --- whole files -------------------------------------------------------------------------------------


def test_empty_binary_and_missing_files(folder: Folder) -> None:
    cases: list[tuple[str | bytes, str, str]] = [
        ("", "the file is empty", "README"),
        ("# only a comment\n", "the file is empty", "README"),
        (b"PK\x03\x04\x00\x00\x00binary", "this is not a text file", "UTF-8"),
        ("ä: 1\n".encode("latin-1"), "the text is not UTF-8", "UTF-8"),
        ("- R1\n- R3\n", "a programme is a list of keys with values, not a list", "begin with programme:"),
        ("just words\n", "not the text 'just words'", "begin with"),
        (FIELD, "this is a field document, and a programme belongs here", "programme"),
        (SHOP[12:], "this is a product list, and a programme belongs here", "programme"),
    ]
    for content, problem, cure in cases:
        folder.write("bad.yaml", content)
        error = folder.error("bad.yaml")
        assert str(error.place).startswith(str(folder.path / "bad.yaml"))
        assert problem in error.problem
        assert cure in error.cure
    assert "there is no such file" in folder.error("absent.yaml").problem
    assert "this is a folder" in folder.error(".").problem


def test_documents_given_in_each_others_place(folder: Folder) -> None:
    assert (
        "this is a programme, and a field document belongs here"
        in folder.error(field=folder.path / "programme.yaml").problem
    )
    assert (
        "this is a field document, and a product list belongs here"
        in folder.error(products=[folder.path / "field.yaml"]).problem
    )


def test_hostile_files_are_refused_at_once(folder: Folder) -> None:
    bomb = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
        f"{chr(98 + i)}: &{chr(98 + i)} [{', '.join([f'*{chr(97 + i)}'] * 9)}]\n" for i in range(8)
    )
    folder.write("bomb.yaml", bomb)
    folder.write("deep.yaml", "passes: " + "[" * 10_000)
    folder.write("large.yaml", b"passes: # " + b"x" * 50_000_000)
    start = time.perf_counter()
    assert "anchor" in folder.error("bomb.yaml").problem
    assert "deep in each other" in folder.error("deep.yaml").problem
    assert "larger than 5 MB" in folder.error("large.yaml").problem
    assert time.perf_counter() - start < 5


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        ("passes:\n  - {stage: R1, tank: [{active: " + "x" * 2_000_000 + "}]}\n", "2000000 characters"),
        ("field: " + "a/" * 1_000_000 + "b.yaml\npasses: []\n", "2000006 characters"),
        ("passes:\n  - stage: R1\n    tank:\n" + "      - {active: boscalid}\n" * 5000, "this tank has 5000 entries"),
        ("passes:\n" + "  - {stage: R1, tank: [{active: boscalid}]}\n" * 5000, "5000 passes"),
        ("passes: &a [*a]\n", "an anchor"),
        ("passes: {? [x] : y}\n", "a list or mapping stands where a key belongs"),
        ("pass,stage,active\n1,R1," + "x" * 3000 + "\n", "a cell has 3000 characters"),
        ("pass,stage,active\n" + "1,R1,boscalid\n" * 5000, "this tank has 5000 entries"),
        ("pass,stage,active\n" + '"' * 500_000, "this row is no CSV"),
        (b"\xff\xfe" + "passes: []\n".encode("utf-16-le"), "text in UTF-16"),
    ],
    ids=lambda value: str(value)[-20:],
)
def test_hostile_contents_are_refused_in_short(folder: Folder, content: str | bytes, problem: str) -> None:
    text = (
        content
        if isinstance(content, bytes)
        else content.replace("passes:", "field: {crop: soybean}\npasses:", 1)
        if "field" not in content
        else content
    )
    raw = text if isinstance(text, bytes) else text.encode()
    field = folder.path / "field.yaml" if raw.startswith(b"pass,") else None
    start = time.perf_counter()
    with pytest.raises(InputError) as caught:
        documents.load_programme("-", catalogue(), field=field, stdin=io.BytesIO(raw))
    assert problem in caught.value.problem
    assert len(str(caught.value)) < 400
    assert time.perf_counter() - start < 5


def test_a_link_out_of_the_folder_is_refused(folder: Folder, tmp_path_factory: pytest.TempPathFactory) -> None:
    outside = tmp_path_factory.mktemp("outside") / "field.yaml"
    outside.write_text(FIELD)
    (folder.path / "link.yaml").symlink_to(outside)
    folder.change("programme.yaml", "field: field.yaml", "field: link.yaml")
    assert "lies outside the folder" in folder.error().problem
    assert folder.load(allow_outside=True).field.name == "Quarry Bottom"


def test_folders_below_the_document_are_free(folder: Folder) -> None:
    (folder.path / "fields").mkdir()
    folder.write("fields/one.yaml", FIELD)
    folder.change("programme.yaml", "field: field.yaml", "field: fields/one.yaml")
    assert folder.load().field.place.file.endswith("fields/one.yaml")


# --- notices -----------------------------------------------------------------------------------------


def test_two_passes_on_one_day_are_two(folder: Folder) -> None:
    folder.change("programme.yaml", "- stage: R3", "- date: 2026-07-02")
    assert folder.load().notices == ("passes 1 and 2 are both on 2026-07-02; they count as two",)


def test_a_stage_far_off_the_fields_dates_is_noticed(folder: Folder) -> None:
    folder.change("programme.yaml", "- stage: R3", "- date: 2026-07-24\n    stage: R3")
    (notice,) = folder.load().notices
    assert "pass 2 says R3 on 2026-07-24, 8 days after the field's R3 on 2026-07-16" in notice
    folder.change("programme.yaml", "2026-07-24", "2026-07-23")  # seven days are still in order (contract)
    assert folder.load().notices == ()


def test_a_stage_between_the_fields_dates_is_held_against_both(folder: Folder) -> None:
    folder.change("programme.yaml", "- stage: R3", "- date: 2026-07-29\n    stage: R2")
    (notice,) = folder.load().notices
    assert "13 days after the field's R3" in notice


# --- tables ------------------------------------------------------------------------------------------

ROWS = """\
pass,date,stage,product,active,rate,unit,water,droplets
1,2026-07-02,R1,Demo Alder 250 SC,,0.6,L/ha,187 L/ha,medium
1,,,,prothioconazole,150,g/ha,,
2,,R3,Demo Chert 70 WG,boscalid,7,oz/ac,20 gal/ac,M
"""


def table(folder: Folder, content: str | bytes, name: str = "sheet.csv") -> Programme:
    folder.write(name, content)
    return folder.load(name, field=folder.path / "field.yaml", products=[folder.path / "shop.yaml"])


def table_error(folder: Folder, content: str | bytes) -> InputError:
    with pytest.raises(InputError) as caught:
        table(folder, content)
    return caught.value


def plain(programme: Programme) -> tuple[Pass, ...]:
    return documents.bare(programme).passes


def test_a_table_is_the_same_programme(folder: Folder) -> None:
    programme = table(folder, ROWS)
    folder.change("programme.yaml", "    canopy: closing\n", "")
    folder.change("programme.yaml", "rate: 7 oz/ac}", "rate: 7 oz/ac}\n    water: 20 gal/ac\n    droplets: medium")
    assert plain(programme) == plain(folder.load())
    assert programme.notices == ()
    assert programme.name == "sheet"
    assert [entry.place.line for entry in programme.passes] == [2, 4]
    assert programme.passes[0].tank[1].place.line == 3


def semicolons(text: str) -> str:
    return text.replace(",", ";").replace("0.6", "0,6")


TABLE_VARIANTS: dict[str, str | bytes] = {
    "byte order mark": b"\xef\xbb\xbf" + ROWS.encode(),
    "semicolons and decimal commas": semicolons(ROWS),
    "tabs": ROWS.replace(",", "\t"),
    "UTF-16 with tabs, as spreadsheets save 'Unicode text'": ROWS.replace(",", "\t").encode("utf-16"),
    "Windows line ends": ROWS.replace("\n", "\r\n"),
    "no last line end": ROWS.rstrip("\n"),
    "blank lines": "\n" + ROWS.replace("\n2,", "\n,,,,,,,,\n\n2,"),
    "capital headers": ROWS.replace("pass,date", "Pass,Date"),
    "spaces": ROWS.replace(",", " , "),
    "quoted decimal comma": ROWS.replace("0.6", '"0,6"'),
    "unit in the rate": ROWS.replace("0.6,L/ha", "0.6 L/ha,"),
    "empty columns at the end": ROWS.replace("\n", ",,\n"),
    "columns in another order": "\n".join(",".join(reversed(line.split(","))) for line in ROWS.splitlines()),
    "repeated cells": ROWS.replace("1,,,,prothio", "1,2026-07-02,R1,,prothio"),
}


@pytest.mark.parametrize("variant", TABLE_VARIANTS)
def test_tables_as_people_send_them(folder: Folder, variant: str) -> None:
    assert plain(table(folder, TABLE_VARIANTS[variant])) == plain(table(folder, ROWS))


def test_extra_columns_are_reported(folder: Folder) -> None:
    lines = ROWS.splitlines()
    content = "\n".join(
        f"{line},{extra}" for line, extra in zip(lines, ["operator,wind", "Kim,", ",", ",low"], strict=True)
    )
    (notice,) = table(folder, content).notices
    assert notice.endswith("sheet.csv:1: columns 'operator', 'wind' are not read")


# content, line, part of the problem, part of the cure
TABLE_SLIPS = {
    "missing pass": (
        ROWS.replace("pass,date", "trip,date"),
        1,
        "column 'pass' is missing",
        "write the header pass,date,stage",
    ),
    "missing date and stage": (
        "pass,product,rate,unit\n1,Demo Alder 250 SC,1,L/ha\n",
        1,
        "column 'date' or 'stage' is missing",
        "header",
    ),
    "missing product and active": (
        "pass,date,rate\n1,2026-07-02,1 L/ha\n",
        1,
        "column 'product' or 'active' is missing",
        "header",
    ),
    "misspelt column": (ROWS.replace("rate,unit", "rat,unit"), 1, "unknown column 'rat'", "did you mean rate?"),
    "column twice": (ROWS.replace("rate,unit", "rate,rate"), 1, "column 'rate' is given twice", "keep one"),
    "no rows": (ROWS.splitlines()[0], 1, "the table has no rows", "add one row"),
    "empty": ("", 0, "the file is empty", "column names"),
    "bare rate": (ROWS.replace("0.6,L/ha", "0.6,"), 2, "rate 0.6 has no unit", "0.6 L/ha or 0.6 fl oz/ac"),
    "bare water": (ROWS.replace("187 L/ha", "187"), 2, "water 187 has no unit", "187 L/ha"),
    "thousand or one": (semicolons(ROWS).replace("0,6", "1,000"), 2, "the comma may be a decimal comma", "1.0, or"),
    "rate no number": (ROWS.replace("0.6", "some"), 2, "rate 'some' is no number", "0.6 L/ha"),
    "unknown unit": (ROWS.replace("oz/ac", "ozz/ac"), 4, "unknown unit 'ozz/ac'", "oz/ac"),
    "two units": (ROWS.replace("0.6,L/ha", "0.6 L/ha,gal/ac"), 2, "and the unit column says 'gal/ac'", "write one"),
    "unit without rate": (ROWS.replace("0.6,L/ha", ",L/ha"), 2, "a unit (L/ha) but no rate", "fill in"),
    "misspelt product": (ROWS.replace("Demo Alder", "Demo Elder"), 2, "unknown product", "Demo Alder 250 SC"),
    "misspelt active": (ROWS.replace("prothioconazole", "prothioconazol"), 3, "unknown active", "prothioconazole"),
    "neither": (ROWS.replace("prothioconazole", ""), 3, "names neither product nor active", "fill in"),
    "active not in the product": (
        ROWS.replace("boscalid", "fluopyram"),
        4,
        "the row says fluopyram is in",
        "correct one",
    ),
    "date the other way": (ROWS.replace("2026-07-02", "02.07.2026"), 2, "is no date", "2026-07-02"),
    "dates differ": (
        ROWS.replace("1,,,,pro", "1,2026-07-03,,,pro"),
        3,
        "date '2026-07-03' differs from '2026-07-02'",
        "one of them",
    ),
    "no pass number": (ROWS.replace("\n2,", "\n,"), 4, "this row has no pass number", "fill in"),
    "pass in words": (ROWS.replace("\n2,", "\ntwo,"), 4, "pass 'two' is no number", "1, 2, 3"),
    "passes down": (ROWS.replace("\n2,", "\n0,"), 4, "pass 0 stands below pass 1", "in order"),
    "pass goes on later": (
        ROWS + "1,,,,boscalid,100,g/ha,,\n",
        5,
        "pass 1 goes on after another pass",
        "under each other",
    ),
    "too many cells": (ROWS.replace("M\n", "M,extra\n"), 4, "this row has 10 cells, the header 9", "quotes"),
    "open quote": (ROWS.replace("Demo Chert", '"Demo Chert'), 4, "this row is no CSV", "close every quote"),
    "control character": (ROWS.replace("Demo Chert", "Demo\x07 Chert"), 4, "a control character", "remove it"),
    "binary": (b"pass,stage\x00\x01", 1, "this is not a text file", "UTF-8"),
    "droplets": (ROWS.replace(",M\n", ",tiny\n"), 4, "unknown droplet class 'tiny'", "fine"),
    "stage number": (ROWS.replace(",R3,", ",65,"), 4, "stage '65' names no scale", "BBCH65"),
    "before sowing": (ROWS.replace("2026-07-02", "2026-04-02"), 2, "is before sowing on 2026-05-12", "how: seed"),
}


@pytest.mark.parametrize("slip", TABLE_SLIPS)
def test_slips_in_a_table(folder: Folder, slip: str) -> None:
    content, line, problem, cure = TABLE_SLIPS[slip]
    error = table_error(folder, content)
    where = f"{folder.path / 'sheet.csv'}:{line}" if line else str(folder.path / "sheet.csv")
    assert str(error.place) == where, str(error)
    assert problem in error.problem
    assert cure in error.cure


def test_a_table_needs_a_field(folder: Folder) -> None:
    folder.write("sheet.csv", ROWS)
    assert "--field" in folder.error("sheet.csv").cure


def test_how_and_canopy_as_further_columns(folder: Folder) -> None:
    rows = (
        "pass,date,active,rate,unit,how,canopy\n"
        "1,2026-05-12,fludioxonil,5,g/ha,seed,\n"
        "2,2026-07-02,boscalid,300,g/ha,,closed\n"
    )
    programme = table(folder, rows)
    assert [(entry.how, entry.canopy) for entry in programme.passes] == [("seed", None), ("foliar", "closed")]
    assert table_error(folder, rows.replace("seed", "sead")).problem == "how cannot be 'sead'"


@given(
    st.lists(
        st.lists(
            st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=6), min_size=2, max_size=4
        ),
        min_size=1,
        max_size=5,
    )
)
def test_tables_read_back_what_csv_writes(rows: list[list[str]]) -> None:
    """The csv module of the standard library as the outside writer (RFC 4180)."""
    import csv

    width = len(rows[0])
    header = [f"c{index}" for index in range(width)]
    body = [(row + [""] * width)[:width] for row in rows]
    target = io.StringIO()
    csv.writer(target).writerows([header, *body])
    found = read_csv(target.getvalue().encode(), "sheet.csv")
    expected = [tuple(" ".join(cell.split()) for cell in row) for row in body]
    assert [row.cells for row in found.rows] == [row for row in expected if any(row)]


# --- temperatures ------------------------------------------------------------------------------------


def temperatures(folder: Folder, content: str) -> Field:
    folder.write("temperatures.csv", content)
    folder.write("warm.yaml", "crop: soybean\ntemperatures: temperatures.csv\n")
    return documents.load_field(folder.path / "warm.yaml", catalogue())


def test_temperatures(folder: Folder) -> None:
    # 90 F = 32.2 C, 65 F = 18.3 C (definition of the Fahrenheit scale, NIST Special Publication 811)
    field = temperatures(folder, "day,min F,max F\n2026-05-01,65,90\n2026-05-02,50,68\n")
    day, least, most = field.temperatures[0]
    assert (day, round(least, 1), round(most, 1)) == (datetime.date(2026, 5, 1), 18.3, 32.2)
    assert field.temperatures[1][1:] == (10.0, 20.0)
    field = temperatures(folder, "\ufeffday;min (°C);max (°C)\r\n2026-05-01;8,5;20,25\r\n")
    assert field.temperatures == ((datetime.date(2026, 5, 1), 8.5, 20.25),)


@pytest.mark.parametrize(
    ("content", "line", "problem"),
    [
        ("day,min,max\n2026-05-01,8,20\n", 1, "does not give one unit"),
        ("day,min C,max F\n2026-05-01,8,20\n", 1, "does not give one unit"),
        ("day,min C\n2026-05-01,8\n", 1, "column 'max' is missing"),
        ("day,min C,max C,rain\n2026-05-01,8,20,1\n", 1, "unknown column 'rain'"),
        ("day,min C,max C\n", 0, "the file holds no days"),
        ("day,min C,max C\n2026-05-01,8,20\n2026-05-03,8,20\n", 3, "2026-05-02 is missing before 2026-05-03"),
        ("day,min C,max C\n2026-05-02,8,20\n2026-05-01,8,20\n", 3, "2026-05-01 stands after 2026-05-02"),
        ("day,min C,max C\n2026-05-01,20,8\n", 2, "the least temperature is above the most"),
        ("day,min C,max C\n2026-05-01,8,90\n", 2, "90 degrees C is not believable"),
        ("day,min C,max C\n2026-05-01,8,warm\n", 2, "max 'warm' is no temperature"),
        ("day,min C,max C\n1.5.2026,8,20\n", 2, "'1.5.2026' is no date"),
    ],
)
def test_slips_in_temperatures(folder: Folder, content: str, line: int, problem: str) -> None:
    with pytest.raises(InputError) as caught:
        temperatures(folder, content)
    name = str(folder.path / "temperatures.csv")
    assert str(caught.value.place) == (f"{name}:{line}" if line else name)
    assert problem in caught.value.problem


# --- round trips -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(path.name for path in SCENARIOS.glob("*.yaml") if "-" in path.stem))
def test_the_scenarios_come_back_the_same(name: str, tmp_path: Path) -> None:
    text = (SCENARIOS / name).read_text()
    assert text.startswith("# INVENTED")
    if "\nprogramme: 1" not in text:
        return
    programme = documents.load_programme(SCENARIOS / name, catalogue())
    assert all(product.demo for product in programme.products)
    assert len(programme.products) == 25
    path = tmp_path / "again.yaml"
    path.write_text(documents.dump_programme(programme))
    assert documents.bare(documents.load_programme(path, catalogue())) == documents.bare(programme)


def test_the_supplier_sheet_is_the_same_programme() -> None:
    sheet = documents.load_programme(
        SCENARIOS / "supplier-sheet-quarry-bottom.csv",
        catalogue(),
        field=SCENARIOS / "quarry-bottom.yaml",
        products=[SCENARIOS / "farm-shop.yaml"],
    )
    document = documents.load_programme(SCENARIOS / "solo-strobilurins-quarry-bottom.yaml", catalogue())
    assert plain(sheet) == plain(document)


def test_references_instead_of_contents(folder: Folder) -> None:
    programme = folder.load()
    text = documents.dump_programme(programme, field="field.yaml", products=["shop.yaml"])
    assert yamlio.read(text).data["field"] == "field.yaml"
    folder.write("again.yaml", text)
    assert documents.bare(folder.load("again.yaml")) == documents.bare(programme)


def test_dumped_lists_and_fields(folder: Folder) -> None:
    programme = folder.load()
    folder.write("shop3.yaml", documents.dump_products(programme.products))
    folder.write("field3.yaml", documents.dump_field(programme.field))
    again = folder.load(field=folder.path / "field3.yaml", products=[folder.path / "shop3.yaml"])
    assert documents.bare(again) == documents.bare(programme)


def test_this_season_is_next_seasons_history(folder: Folder) -> None:
    programme = folder.load()
    entry = documents.history_entry(programme, catalogue())
    # azoxystrobin 11, prothioconazole 3, boscalid 7: FRAC code list
    assert entry == Season(season="2026", crop="soybean", groups=(("FRAC 11", "FRAC 3"), ("FRAC 7",)))
    text = documents.dump_history(programme, catalogue())
    base = FIELD[: FIELD.index("history:")]
    folder.write("next.yaml", base + text)
    field = documents.load_field(folder.path / "next.yaml", catalogue())
    assert field.history == (entry, *programme.field.history)


TARGETS = ("sclerotinia-stem-rot", "frogeye-leaf-spot", "target-spot")
STAGES = ("V5", "R1", "R2", "R3", "R4", "R5")
GROUPS = ("FRAC 11", "FRAC 3", "FRAC 7", "FRAC M05", "IRAC 4A")
WORDS = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=12)
DAY = st.dates(datetime.date(2026, 6, 1), datetime.date(2026, 9, 20))


def number(least: float, most: float) -> st.SearchStrategy[float | None]:
    return st.none() | st.floats(least, most, allow_nan=False)


@st.composite
def products(draw: st.DrawFn, name: str) -> Product:
    solid = draw(st.booleans())
    names = draw(
        st.lists(st.sampled_from(["azoxystrobin", "boscalid", "prothioconazole"]), min_size=1, max_size=3, unique=True)
    )
    rates = sorted(draw(st.tuples(st.floats(0.01, 20), st.floats(0.01, 20))))
    label = CropLabel(
        rate_least=rates[0],
        rate_most=rates[1],
        applications=draw(st.none() | st.integers(1, 6)),
        active_total=draw(st.dictionaries(st.sampled_from(names), st.floats(10, 5000), max_size=2)),
        interval=draw(st.none() | st.integers(0, 60)),
        first_stage="V5",
        last_stage=draw(st.sampled_from(STAGES)),
        harvest_interval=draw(st.none() | st.integers(0, 90)),
        consecutive=draw(st.none() | st.integers(1, 3)),
        water=draw(number(20, 500)),
        reentry=draw(number(1, 72)),
        protection=draw(number(3, 40)),
        targets=draw(st.dictionaries(st.sampled_from(TARGETS), st.sampled_from(["poor", "good", "excellent"]))),
    )
    return Product(
        name=name,
        kind="fungicide",
        formulation="WG" if solid else "SC",
        amount_unit="kg/ha" if solid else "L/ha",
        actives={active: draw(st.floats(1, 300)) for active in names},
        price=draw(number(0.5, 900)),
        on_hand=draw(number(0.5, 900)),
        labels={"soybean": label} if draw(st.booleans()) else {},
        currency="CAD",
        demo=draw(st.booleans()),
    )


@st.composite
def programmes(draw: st.DrawFn) -> Programme:
    names = draw(st.lists(WORDS, min_size=1, max_size=3, unique_by=lambda text: text.casefold()))
    listed = tuple(draw(products(name)) for name in names)
    days = sorted(draw(st.lists(DAY, min_size=1, max_size=5, unique=True)))
    passes = []
    for index, day in enumerate(days):
        chosen = draw(st.lists(st.sampled_from(listed), max_size=2, unique_by=lambda product: product.name))
        tank = [
            TankItem(product=product.name, rate=draw(number(0.01, 20)), unit=product.amount_unit) for product in chosen
        ]
        if not tank or draw(st.booleans()):
            tank.append(TankItem(active="tebuconazole", dose=draw(number(1, 900))))
        passes.append(
            Pass(
                number=index + 1,
                date=day,
                stage=STAGES[min(index, 5)] if draw(st.booleans()) else None,
                tank=tuple(tank),
                water=draw(number(20, 500)),
                droplets=draw(st.none() | st.sampled_from(["F", "M", "XC"])),
                canopy=draw(st.none() | st.sampled_from(["open", "closing", "closed"])),
            )
        )
    targets = draw(st.lists(st.sampled_from(TARGETS), max_size=3, unique=True))
    field = Field(
        name=draw(WORDS | st.just("")),
        crop="soybean",
        area=draw(number(0.5, 500)),
        country="CA",
        region=draw(st.none() | st.just("CA-ON")),
        sown=draw(st.none() | st.just(datetime.date(2026, 5, 12))),
        stages={"V5": datetime.date(2026, 6, 5)} if draw(st.booleans()) else {},
        harvest=draw(st.none() | st.just(datetime.date(2026, 10, 1))),
        targets=tuple(
            FieldTarget(
                target=name,
                pressure=draw(st.none() | st.sampled_from(["low", "high"])),  # type: ignore[arg-type]
                cultivar=draw(st.none() | st.sampled_from(["resistant", "moderate"])),  # type: ignore[arg-type]
                resistant=tuple(draw(st.lists(st.sampled_from(GROUPS), max_size=2, unique=True))),
            )
            for name in targets
        )
        or None,
        grain_yield=draw(number(500, 9000)),
        grain_price=draw(number(0.05, 2)),
        currency=draw(st.sampled_from(["", "CAD"])),
        application=Application(cost=draw(number(1, 90)), boom=draw(number(1, 40)), spacing=draw(number(0.2, 1))),
        history=tuple(
            Season(season=str(2025 - index), crop="soybean", groups=groups)
            for index, groups in enumerate(
                draw(
                    st.lists(
                        st.lists(st.lists(st.sampled_from(GROUPS), unique=True, max_size=3).map(tuple), max_size=3).map(
                            tuple
                        ),
                        max_size=2,
                    )
                )
            )
        ),
        latitude=draw(number(-60, 60)),
        maturity_group=draw(st.none() | st.sampled_from(["00", "2.5", "10"])),
        temperatures=((datetime.date(2026, 5, 1), 8.25, 20.5), (datetime.date(2026, 5, 2), 9.0, 21.0))
        if draw(st.booleans())
        else (),
    )
    return Programme(
        name=draw(WORDS | st.just("")),
        field=field,
        products=listed,
        passes=tuple(passes),
        accept=(Accept(rule="ROT01", passes=(1,), reason=draw(WORDS)),) if draw(st.booleans()) else (),
        currency="CAD",
    )


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(programmes())
def test_every_programme_comes_back_the_same(programme: Programme) -> None:
    text = documents.dump_programme(programme)
    again = documents.load_programme("-", catalogue(), stdin=io.BytesIO(text.encode()))
    assert documents.bare(again) == documents.bare(programme)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_any_slip_is_one_clear_error(data: st.DataObject) -> None:
    """A piece of a sound document is cut out, doubled or overwritten: it loads, or it says where and what."""
    text = data.draw(st.sampled_from([PROGRAMME.replace("field: field.yaml\nproducts: shop.yaml", INLINE)]))
    start = data.draw(st.integers(0, len(text) - 1))
    length = data.draw(st.integers(0, 12))
    new = data.draw(st.sampled_from(["", "x", "11", "[", "{", ": ", "\n", "null", "-1", "~", "'", "- ", "true", "é"]))
    broken = text[:start] + new + text[start + length :]
    try:
        documents.load_programme("-", catalogue(), stdin=io.BytesIO(broken.encode()))
    except InputError as error:
        assert str(error.place).startswith("standard input")
        assert error.problem
        assert error.cure
        assert "\n" not in str(error)


INLINE = """\
field: {crop: soybean, sown: 2026-05-12, area: 28 ha}
products:
  - {name: Demo Alder 250 SC, actives: {azoxystrobin: 250 g/L}}
  - {name: Demo Chert 70 WG, actives: {boscalid: 70 % w/w}}
"""[:-1]


# --- word lists --------------------------------------------------------------------------------------


def test_country_codes_follow_iso_3166() -> None:
    # ISO 3166-1 has 249 officially assigned alpha-2 codes (ISO/TC 46, 2023)
    table = words.words().countries
    assert len(table) == 249
    assert all(len(code) == 2 and code.isupper() for code in table)
    assert words.country_cure("USA") == "write US (United States)"


def test_droplet_classes_follow_the_standard() -> None:
    # ANSI/ASABE S572.1: XF, VF, F, M, C, VC, XC, UC, from extremely fine to ultra coarse (from memory)
    assert list(words.words().droplets) == ["XF", "VF", "F", "M", "C", "VC", "XC", "UC"]
    assert words.droplet_class("Very  Coarse") == "VC"
    assert words.droplet_class("medium") == words.droplet_class("m") == "M"


def test_compiled_words_equal_fresh_ones() -> None:
    assert msgspec.to_builtins(words.words()) == msgspec.to_builtins(words.build())


# --- products without actives, and other rare cases ----------------------------------------------------


@pytest.mark.parametrize(
    ("entry", "unit", "kind"),
    [
        ("{name: Demo Gum, kind: adjuvant, price: 4 per L}", "L/ha", "adjuvant"),
        ("{name: Demo Salt, kind: fertilizer, price: 4 per kg}", "kg/ha", "fertilizer"),
        ("{name: Demo Salt, kind: fertilizer, on_hand: 4 kg}", "kg/ha", "fertilizer"),
        ("{name: Demo Salt SG, kind: fertilizer}", "kg/ha", "fertilizer"),
        ("{name: Demo Salt, kind: other, label: {soybean: {rate: [1 kg/ha, 2 kg/ha]}}}", "kg/ha", "other"),
        ("{name: Demo Gum, kind: other}", "L/ha", "other"),
        ("{name: Demo Plover, actives: {lambda-cyhalothrin: 120 g/L}}", "L/ha", "insecticide"),
    ],
)
def test_measure_and_kind_follow_from_what_is_given(folder: Folder, entry: str, unit: str, kind: str) -> None:
    path = folder.write("one.yaml", f"products:\n  - {entry}\n")
    (product,) = documents.load_products(path, catalogue())
    assert (product.amount_unit, product.kind) == (unit, kind)


@pytest.mark.parametrize(
    ("entry", "problem"),
    [
        ("{name: Demo Gum, kind: adjuvant, actives: {boscalid: 250 g/L}}", "of kind adjuvant, which lists no actives"),
        ("{name: Demo Two, actives: {boscalid: 250 g/L, Boscalid: 20 g/L}}", "lists one active twice"),
        ("{name: Demo Two, actives: {boscalid: 250 g/L, azoxystrobin: 20 g/kg}}", "'Demo Two' is a liquid"),
        ("{name: Demo Full, actives: {boscalid: 600 g/kg, azoxystrobin: 600 g/kg}}", "add up to 1200 g/kg"),
        (
            "{name: Demo Two, kind: other, label: {soybean: {applications: 1}, Soybean: {applications: 2}}}",
            "lists soybean twice",
        ),
        ('{name: " ", kind: other}', "'name' is empty"),
    ],
)
def test_rare_slips_in_a_product_list(folder: Folder, entry: str, problem: str) -> None:
    path = folder.write("one.yaml", f"products:\n  - {entry}\n")
    with pytest.raises(InputError) as caught:
        documents.load_products(path, catalogue())
    assert str(caught.value.place) == f"{path}:2"
    assert problem in caught.value.problem


def test_a_label_that_only_names_the_crop(folder: Folder) -> None:
    path = folder.write("one.yaml", "products:\n  - {name: Demo Gum, kind: other, label: {soybean: {}}}\n")
    (product,) = documents.load_products(path, catalogue())
    assert product.labels["soybean"].rate_most is None
    text = documents.dump_products([product])
    (again,) = documents.load_products(folder.write("two.yaml", text), catalogue())
    assert list(again.labels) == ["soybean"]


def test_a_season_needs_a_date_or_a_name(folder: Folder) -> None:
    text = "field: {crop: soybean}\npasses:\n  - {stage: R1, tank: [{active: azoxystrobin}]}\n"
    programme = folder.load(folder.write("short.yaml", text).name)
    with pytest.raises(InputError, match="nothing in it is dated"):
        documents.history_entry(programme, catalogue())
    assert documents.history_entry(programme, catalogue(), season="2026/27").season == "2026/27"


def test_a_large_standard_input_is_refused() -> None:
    with pytest.raises(InputError, match="larger than 5 MB"):
        documents.load_programme("-", catalogue(), stdin=io.BytesIO(b"#" * 6_000_000))


def test_temperatures_may_stand_inline(folder: Folder) -> None:
    text = "crop: soybean\ntemperatures:\n  unit: F\n  days:\n    - [2026-05-01, 50, 68]\n"
    field = documents.load_field(folder.write("f.yaml", text), catalogue())
    assert field.temperatures == ((datetime.date(2026, 5, 1), 10.0, 20.0),)
    folder.write("f.yaml", text.replace("50, 68", "68, 50"))
    with pytest.raises(InputError) as caught:
        documents.load_field(folder.path / "f.yaml", catalogue())
    assert str(caught.value.place).endswith("f.yaml:5")
