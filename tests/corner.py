"""A small invented farm whose programme breaches: three strobilurins alone, and one product that can stand beside them.

Few products keep a search short; the shipped scenario has two dozen.
"""

from __future__ import annotations

from pathlib import Path

FLAWED = """programme: 1
name: Two strobilurins
field:
  name: Demo Corner
  crop: soybean
  country: US
  region: US-IL
  sown: 2026-05-12
  stages: {R1: 2026-07-02, R3: 2026-07-18, R5: 2026-08-08, R6: 2026-08-30}
  harvest: 2026-10-06
  targets: [{target: frogeye-leaf-spot, pressure: high, cultivar: susceptible}]
products: shop.yaml
passes:
  - {date: 2026-07-04, stage: R1, tank: [{product: Demo One, rate: 0.6 L/ha}], water: 190 L/ha}
  - {date: 2026-07-20, stage: R3, tank: [{product: Demo Other, rate: 0.6 L/ha}], water: 190 L/ha}
  - {date: 2026-08-08, stage: R5, tank: [{product: Demo One, rate: 0.6 L/ha}], water: 190 L/ha}
"""
# two products of different groups, both good on both diseases of the shipped soybean fields; one lies in the shed
PARTNERS = """
currency: USD
products:
  - name: Demo Test A
    actives: {boscalid: 500 g/L}
    price: 40 per L
    label:
      soybean: {rate: [0.4 L/ha, 0.8 L/ha], applications: 1, interval: 14 d, stages: [R1, R4], harvest_interval: 21 d,
                targets: {white-mold: good, frogeye-leaf-spot: good}}
  - name: Demo Test B
    actives: {prothioconazole: 480 g/L}
    price: 60 per L
    on_hand: 6 L
    label:
      soybean: {rate: [0.2 L/ha, 0.4 L/ha], applications: 1, interval: 14 d, harvest_interval: 21 d,
                targets: {white-mold: good, frogeye-leaf-spot: good}}
"""
SHOP = """currency: USD
demo: true
products:
  - name: Demo One
    actives: {azoxystrobin: 250 g/L}
    price: 40 per L
    label:
      soybean: {rate: [0.4 L/ha, 0.8 L/ha], applications: 3, interval: 14 d, stages: [V5, R6], harvest_interval: 14 d}
  - name: Demo Other
    actives: {pyraclostrobin: 250 g/L}
    price: 40 per L
    label:
      soybean: {rate: [0.4 L/ha, 0.8 L/ha], applications: 3, interval: 14 d, stages: [V5, R6], harvest_interval: 14 d}
  - name: Demo Third
    actives: {prothioconazole: 480 g/L}
    price: 60 per L
    label:
      soybean: {rate: [0.2 L/ha, 0.4 L/ha], applications: 3, interval: 10 d, harvest_interval: 21 d,
                targets: {frogeye-leaf-spot: good}}
"""


def write(folder: Path) -> str:
    """Both documents into a folder; the name of the programme."""
    (folder / "shop.yaml").write_text(SHOP, encoding="utf-8")
    path = folder / "flawed.yaml"
    path.write_text(FLAWED, encoding="utf-8")
    return str(path)
