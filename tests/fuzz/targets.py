"""The loaders under fuzzing: each takes the bytes of one file and may end in nothing but an answer or a PlannerError.

Seeds are the project's own documents (shared/scenarios, rules, catalog) and a few small files written here.
"""

from __future__ import annotations

import importlib.util
import io
import os
import shutil
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

from planner import documents, places, rulebook, rulereader, yamlio
from planner.audit import audit
from planner.batch import inputs, results
from planner.catalogue import Catalogue, load
from planner.catalogue_read import read_all
from planner.commands import common
from planner.documents.files import Files
from planner.documents.temperatures import read_temperatures
from planner.errors import PlannerError

TABLE = (
    b"pass,date,stage,product,active,rate,unit,water,droplets\n"
    b"1,2026-07-02,R1,,azoxystrobin,110,g/ha,187 L/ha,medium\n"
    b"2,2026-07-20,R3,,prothioconazole,150,g/ha,15 gal/ac,fine\n"
)
KEYED = b"field,pass,date,active,rate,unit\nquarry-bottom.yaml,1,2026-07-02,azoxystrobin,110,g/ha\n"
TEMPERATURES = b'day,min C,max C\n2026-05-12,8.5,19\n2026-05-13,9,21.25\n2026-05-14,"7",18\n'
SETTINGS = b"catalog: my-catalog\nrules: [my-rules, other]\nunits: us\nformat: json\n"
LINES = b'{"file":"a.yaml","verdict":"clean","rules":[]}\n{"file":"b.yaml","verdict":"breaches","rules":["ROT01"]}\n'
HAS_SHEETS = importlib.util.find_spec("planner.documents.sheets") is not None


@cache
def folder() -> Path:
    """A folder with the shipped scenarios, on memory where the machine has it."""
    base = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    path = Path(tempfile.mkdtemp(prefix="planner-fuzz-", dir=base))
    for file in (places.folder("shared") / "scenarios").iterdir():
        shutil.copy(file, path)
    for name in ("catalog", "limits/limits"):
        (path / "laid" / name).mkdir(parents=True)
    return path


@cache
def catalogue() -> Catalogue:
    """The shipped catalogue."""
    return load()


@cache
def bibliography() -> frozenset[str] | None:
    """Keys of the bibliography."""
    return rulebook._keys()


def _file(name: str, content: bytes) -> Path:
    path = folder() / name
    path.write_bytes(content)
    return path


def _catalog_file(at: Path, content: bytes) -> Path:
    name = content.partition(b"\n")[0].removeprefix(b"# ").decode("utf-8", "replace")
    path = at / (name if name in CATALOG_FILES else CATALOG_FILES[len(content) % len(CATALOG_FILES)])
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path


def yaml(content: bytes) -> None:
    """The strict YAML reader."""
    yamlio.read(content, name="fuzz.yaml")


def field(content: bytes) -> None:
    """A field document."""
    documents.load_field(_file("fuzz-field.yaml", content), catalogue())


def products(content: bytes) -> None:
    """A product list."""
    documents.load_products("-", catalogue(), stdin=io.BytesIO(content))


def programme(content: bytes) -> None:
    """A programme in YAML, beside the field and products it names."""
    documents.load_programme(_file("fuzz-programme.yaml", content), catalogue())


def piped(content: bytes) -> None:
    """A programme on standard input, which may be a table or YAML."""
    at = folder()
    documents.load_programme(
        "-", catalogue(), field=at / "quarry-bottom.yaml", products=[at / "farm-shop.yaml"], stdin=io.BytesIO(content)
    )


def table(content: bytes) -> None:
    """A programme in CSV."""
    at = folder()
    documents.load_programme(
        _file("fuzz.csv", content), catalogue(), field=at / "quarry-bottom.yaml", products=[at / "farm-shop.yaml"]
    )


def sheet(content: bytes) -> None:
    """A programme in XLSX."""
    at = folder()
    documents.load_programme(
        _file("fuzz.xlsx", content), catalogue(), field=at / "quarry-bottom.yaml", products=[at / "farm-shop.yaml"]
    )


def temperatures(content: bytes) -> None:
    """Daily temperatures of a field."""
    read_temperatures(_file("fuzz-days.csv", content), Files())


def rule(content: bytes) -> None:
    """A rule file."""
    rulereader.read_rule(content, name="fuzz.yaml", kinds=rulebook.KINDS, bibliography=bibliography())  # type: ignore[arg-type]


def catalog(content: bytes) -> None:
    """A catalogue file alone in a folder; its first line is a comment with its name."""
    at = folder() / "laid" / "catalog"
    path = _catalog_file(at, content)
    try:
        read_all([at], [])
    finally:
        path.unlink()


def limits(content: bytes) -> None:
    """A file of published limits."""
    at = folder() / "laid" / "limits"
    (at / "limits" / "fuzz.yaml").write_bytes(content)
    read_all([], [at])


def laid(content: bytes) -> None:
    """A catalogue file laid over the shipped catalogue."""
    at = folder() / "laid" / "catalog"
    path = _catalog_file(at, content)
    try:
        read_all([places.folder("catalog"), at], [places.folder("rules")])
    finally:
        path.unlink()


def audited(content: bytes) -> None:
    """A programme that is read is audited as well: what the loader lets through must not break the audit."""
    programme = documents.load_programme(_file("fuzz-programme.yaml", content), catalogue())
    audit(programme, catalogue(), backend="interpreter")


def settings(content: bytes) -> None:
    """The settings file."""
    _file("planner.yaml", content)
    common.read_settings(folder())


def keyed(content: bytes) -> None:
    """One table of many programmes."""
    for _ in inputs.find([str(_file("fuzz-keyed.csv", content))]):
        pass


def lines(content: bytes) -> None:
    """Results of an earlier batch."""
    path = _file("fuzz-results.jsonl", content)
    results.done(path)
    for line in results.read(path):
        line.get("file")


def _catalog_files() -> list[str]:
    base = places.folder("catalog")
    return sorted(str(path.relative_to(base)) for path in base.rglob("*.yaml") if path.stat().st_size < 60_000)


CATALOG_FILES = _catalog_files()
TARGETS: dict[str, Callable[[bytes], None]] = {
    "yaml": yaml,
    "field": field,
    "products": products,
    "programme": programme,
    "audited": audited,
    "piped": piped,
    "table": table,
    "temperatures": temperatures,
    "rule": rule,
    "catalog": catalog,
    "laid": laid,
    "limits": limits,
    "settings": settings,
    "keyed": keyed,
    "lines": lines,
}
if HAS_SHEETS:
    TARGETS["sheet"] = sheet


SLOW = {"laid": 0.1}  # reads the whole catalogue: drawn less often


@cache
def seeds(name: str) -> tuple[bytes, ...]:
    """Sound files to begin from."""
    scenarios = places.folder("shared") / "scenarios"
    documents_ = {path.name: path.read_bytes() for path in sorted(scenarios.iterdir())}
    programmes = tuple(text for text in documents_.values() if b"\npasses:" in text)
    tables = (TABLE, *(text for file, text in documents_.items() if file.endswith(".csv")))
    rules = places.folder("rules")
    if name in ("yaml", "programme", "audited"):
        return programmes
    if name == "field":
        return tuple(text for text in documents_.values() if text.startswith(b"field:") or b"\nfield: 1" in text)
    if name == "products":
        return (_small_shop(documents_["farm-shop.yaml"]),)
    if name == "piped":
        return (*programmes[:2], *tables)
    if name == "table":
        return tables
    if name == "rule":
        return tuple(path.read_bytes() for path in rulebook.rule_files(rules))
    if name in ("catalog", "laid"):
        base = places.folder("catalog")
        return tuple(b"# " + file.encode() + b"\n" + (base / file).read_bytes() for file in CATALOG_FILES)
    if name == "limits":
        limit_files = sorted((rules / "limits").glob("*.yaml"))
        return tuple(path.read_bytes() for path in limit_files if not path.name[:3].isupper())
    if name == "sheet":
        return (workbook(),)
    return {"temperatures": (TEMPERATURES,), "settings": (SETTINGS,), "keyed": (KEYED,), "lines": (LINES,)}[name]


def _small_shop(content: bytes) -> bytes:
    """The first products of the demo list: a small file is fuzzed more often."""
    lines_ = content.split(b"\n")
    starts = [at for at, line in enumerate(lines_) if line.startswith(b"  - name:")]
    return b"\n".join(lines_[: starts[3]]) + b"\n" if len(starts) > 3 else content


@cache
def workbook() -> bytes:
    """The table as a workbook."""
    from openpyxl import Workbook

    book = Workbook()
    for line in TABLE.decode().splitlines():
        book.active.append(line.split(","))
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def judge(name: str, content: bytes) -> str:
    """``read``, ``refused``, or the first line of what came out that must not."""
    try:
        TARGETS[name](content)
    except PlannerError as error:
        text = str(error)
        return "refused" if "\n" not in text else f"message of several lines: {text[:80]!r}"
    except (Exception, RecursionError) as error:
        return f"{type(error).__name__}: {error}"
    return "read"
