"""The command line: exit codes, streams, help, colour, pipes. Exit codes and streams are those of the
contract, section 2; the habits are those of the Command Line Interface Guidelines (clig.dev) and
of no-color.org.
"""

from __future__ import annotations

import json
import os
import pty
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

import planner
from planner import cli, exits, places
from planner.commands import COMMANDS, common
from planner.errors import EngineError, InputError, NoProgramme
from planner.render import completion

ROOT = Path(planner.__file__).resolve().parent.parent  # of the package under test: the checkout or the wheel

FIELD = """field: 1
name: Demo Field
crop: soybean
area: 28 ha
country: CA
sown: 2026-05-12
stages: {R1: 2026-07-02, R3: 2026-07-16}
harvest: 2026-09-30
targets:
  - {target: frogeye-leaf-spot, pressure: moderate}
"""
PRODUCTS = """products: 1
currency: CAD
products:
  - name: Demo Alder [m03]
    kind: fungicide
    actives: {azoxystrobin: 250 g/L}
    price: 41.00 per L
    label:
      soybean:
        rate: [0.4 L/ha, 1.0 L/ha]
        applications: 2
        harvest_interval: 14 d
        stages: [V5, R6]
        water: 94 L/ha
        interval: 14 d
        consecutive: 2
        active_total: {azoxystrobin: 0.5 kg/ha}
"""
BREACH = """programme: 1
name: Over the label
field: field.yaml
products: products.yaml
passes:
  - date: 2026-07-02
    stage: R1
    tank:
      - {product: "Demo Alder [m03]", rate: 1.2 L/ha}
    water: 187 L/ha
"""
SOUND = """programme: 1
name: Sound
crop: soybean
passes:
  - stage: R3
    tank:
      - {active: prothioconazole, dose: 200 g/ha}
"""


@pytest.fixture
def farm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a field, a product list, a programme that breaches its label and a sound one."""
    for name, text in {
        "field.yaml": FIELD,
        "products.yaml": PRODUCTS,
        "breach.yaml": BREACH,
        "sound.yaml": SOUND.replace("crop: soybean", "field: {crop: soybean}"),
        "misspelt.yaml": BREACH.replace("stage: R1", "stagge: R1"),
    }.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*words: str, stdin: bytes = b"", env: dict[str, str] | None = None) -> subprocess.CompletedProcess[bytes]:
    """The command as a process of its own."""
    settings = {**os.environ, "PYTHONPATH": str(ROOT), **(env or {})}
    return subprocess.run(
        [sys.executable, "-m", "planner", *words], input=stdin, capture_output=True, env=settings, timeout=60
    )


def on_terminal(words: Sequence[str], env: dict[str, str]) -> str:
    """Standard output of the command when it is a terminal (a pseudo-terminal of 90 columns)."""
    master, slave = pty.openpty()
    settings = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm-256color", "COLUMNS": "90", **env}
    for name in ("NO_COLOR", "FORCE_COLOR"):
        if name not in env:
            settings.pop(name, None)
    process = subprocess.Popen(
        [sys.executable, "-m", "planner", *words], stdout=slave, stderr=subprocess.DEVNULL, env=settings
    )
    os.close(slave)
    chunks = []
    while True:
        try:
            chunk = os.read(master, 65536)
        except OSError:
            break
        if not chunk:
            break
        chunks.append(chunk)
    process.wait(timeout=60)
    os.close(master)
    return b"".join(chunks).decode()


# --- help and version --------------------------------------------------------------------------------------


def subcommands() -> list[tuple[str, ...]]:
    return [entry.path for entry in completion.entries(cli.parser(*COMMANDS)) if entry.path]


@pytest.mark.parametrize("path", subcommands(), ids=" ".join)
def test_help_of_every_command(path: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main([*path, "--help"]) == exits.DONE
    out, err = capsys.readouterr()
    assert err == ""
    assert out.startswith(f"usage: planner {path[0]}")
    if len(path) == 1:
        assert out.index("examples:") < out.index("options:")
        assert f"planner {path[0]}" in out.split("examples:")[1]


def test_help_without_a_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main([]) == exits.DONE
    short = capsys.readouterr().out
    assert cli.main(["--help"]) == exits.DONE
    long = capsys.readouterr().out
    for name in COMMANDS:
        assert re.search(rf"^  {name} ", short, re.M)
        assert re.search(rf"^  {name} ", long, re.M)
    assert "exit codes:" in long
    assert cli.main(["help", "audit"]) == exits.DONE
    assert capsys.readouterr().out.startswith("usage: planner audit")


def test_version_names_planner_catalogue_and_engine(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["--version"]) == exits.DONE
    lines = capsys.readouterr().out.splitlines()
    assert re.fullmatch(r"planner \d+\.\d+\.\d+", lines[0])
    assert re.fullmatch(r"catalogue \d{4}-\d{2}-\d{2}", lines[1])
    assert re.fullmatch(r"engine (durable-rules [\d.]+|interpreter .*)", lines[2])


def test_help_and_version_load_nothing_heavy() -> None:
    """Answering --help must not cost the catalogue: no such module is imported."""
    code = (
        "import sys; from planner import cli; cli.main(['--help']); cli.main(['--version']); "
        "print(sorted({'yaml','durable','networkx','pint','numpy','scipy','planner.catalogue'}"
        " & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert done.stdout.splitlines()[-1] == "[]", done.stderr


# --- the command line --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["audti", "x"], "unknown command 'audti'; did you mean 'planner audit'?"),
        (["audit", "x", "--fromat", "json"], "unknown option '--fromat'; did you mean --format?"),
        (["audit", "x", "--form", "json"], "unknown option '--form'"),
        (["audit"], "the following arguments are required: PROGRAMME"),
        (["audit", "x", "--format", "jsno"], "--format: invalid choice: 'jsno'"),
        (["--colour"], "unknown option '--colour'"),
        (["audit", "-", "-"], "standard input can be read only once"),
        (["completion", "csh"], "invalid choice: 'csh'"),
        (["explain", "azoxystrobinn"], "did you mean azoxystrobin"),
        (["rules", "list", "nothing"], "unknown family 'nothing'; families: label"),
    ],
)
def test_a_slip_on_the_command_line(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(words) == exits.INPUT
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert err.count("\n") == 1
    assert "Traceback" not in err


def test_options_may_stand_before_the_command(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["--format", "json", "audit", "breach.yaml"]) == exits.BREACH
    assert json.loads(capsys.readouterr().out)["verdict"] == "breaches"


# --- audit: codes and streams ------------------------------------------------------------------------------


@pytest.mark.short
def test_exit_codes_of_audit(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["audit", "breach.yaml"]) == exits.BREACH
    assert capsys.readouterr().out.startswith("Not sound as it stands")
    assert cli.main(["audit", "sound.yaml"]) == exits.DONE
    assert cli.main(["audit", "sound.yaml", "--strict"]) == exits.BREACH
    capsys.readouterr()
    assert cli.main(["audit", "misspelt.yaml"]) == exits.INPUT
    out, err = capsys.readouterr()
    assert out == ""
    assert re.match(r"misspelt\.yaml:7: .*stagge.*stage", err)
    assert cli.main(["audit", "absent.yaml"]) == exits.INPUT
    assert "absent.yaml" in capsys.readouterr().err


def test_every_flawed_document_is_named_and_nothing_is_done(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["audit", "misspelt.yaml", "sound.yaml", "absent.yaml", "-o", "out.txt"]) == exits.INPUT
    out, err = capsys.readouterr()
    assert out == ""
    assert [line.split(":")[0] for line in err.splitlines()] == ["misspelt.yaml", "absent.yaml"]
    assert not Path("out.txt").exists()


@pytest.mark.short
def test_json_is_alone_on_standard_output(farm: Path) -> None:
    done = run("audit", "breach.yaml", "--format", "json")
    assert done.returncode == exits.BREACH
    data = json.loads(done.stdout)
    assert data["verdict"] == "breaches"
    assert {"LBL02"} <= {finding["rule"] for finding in data["findings"]}
    both = json.loads(run("audit", "sound.yaml", "breach.yaml", "--format", "json").stdout)
    assert [one["programme"] for one in both["programmes"]] == ["Sound", "Over the label"]


def test_standard_input_and_file_give_the_same_answer(farm: Path) -> None:
    text = (farm / "sound.yaml").read_bytes()
    piped = json.loads(run("audit", "-", "--format", "json", stdin=text).stdout)
    named = json.loads(run("audit", "sound.yaml", "--format", "json").stdout)
    for one in (piped, named):
        for key in ("file", "checksum", "programme"):
            one.pop(key)
    assert piped["verdict"] == named["verdict"]
    assert piped["not_assessed"] == named["not_assessed"]


def test_same_input_same_bytes(farm: Path) -> None:
    assert run("audit", "breach.yaml").stdout == run("audit", "breach.yaml").stdout


def test_output_is_written_whole_and_not_over_an_input(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["audit", "breach.yaml", "-o", "answer.txt"]) == exits.BREACH
    out, err = capsys.readouterr()
    assert out == ""
    assert "written to answer.txt" in err
    assert Path("answer.txt").read_text(encoding="utf-8").startswith("Not sound as it stands")
    before = Path("breach.yaml").read_bytes()
    assert cli.main(["audit", "breach.yaml", "-o", "breach.yaml"]) == exits.INPUT
    assert "would replace an input" in capsys.readouterr().err
    assert Path("breach.yaml").read_bytes() == before
    assert cli.main(["audit", "breach.yaml", "-o", "no/such/folder.txt"]) == exits.INPUT
    assert sorted(path.name for path in farm.iterdir() if path.suffix == ".part") == []


@pytest.mark.parametrize("form", ["text", "markdown", "concise", "json"])
def test_every_form_keeps_a_bracketed_name(farm: Path, form: str) -> None:
    done = run("audit", "breach.yaml", "--format", form)
    assert b"[m03]" in done.stdout.replace(b"\\", b"")


# --- colour and pipes --------------------------------------------------------------------------------------


def test_a_pipe_gets_no_escape_byte(farm: Path) -> None:
    assert b"\x1b" not in run("audit", "breach.yaml").stdout


@pytest.mark.parametrize(
    ("env", "options", "coloured"),
    [
        ({}, [], True),
        ({"NO_COLOR": "1"}, [], False),
        ({"NO_COLOR": ""}, [], True),
        ({"TERM": "dumb"}, [], False),
        ({}, ["--no-color"], False),
        ({"FORCE_COLOR": "1", "NO_COLOR": "1"}, [], False),
    ],
)
def test_colour_on_a_terminal(farm: Path, env: dict[str, str], options: list[str], coloured: bool) -> None:
    shown = on_terminal(["audit", "breach.yaml", *options], env)
    assert "Not sound" in shown
    assert ("\x1b[" in shown) is coloured


def test_closed_pipe_is_quiet(farm: Path) -> None:
    for _ in range(3):
        process = subprocess.Popen(
            [sys.executable, "-m", "planner", "catalog", "list", "actives"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        assert process.stdout is not None and process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        err = process.stderr.read()
        process.stderr.close()
        process.wait(timeout=60)
        assert err == b""


def test_ctrl_c_is_quiet(farm: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "planner", "audit", "-"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    time.sleep(1.5)  # it waits for standard input by now
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert (process.returncode, out, err) == (exits.INTERRUPTED, b"", b"planner: stopped\n")


# --- errors become messages in one place -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (
            InputError("plan.yaml:3", "no such stage 'R33'", "did you mean R3?"),
            2,
            "plan.yaml:3: no such stage",
        ),
        (NoProgramme("no programme fits", ["LBL02 clashes"]), 1, "no programme fits"),
        (EngineError("durable-rules gave up"), 3, "please report it and attach"),
        (ZeroDivisionError("x"), 3, "please report it and attach"),
        (RecursionError("deep"), 3, "please report it"),
        (KeyboardInterrupt(), 130, "stopped"),
        (FileNotFoundError(2, "No such file or directory", "gone.yaml"), 2, "gone.yaml: no such file"),
    ],
)
def test_errors(error: BaseException, code: int, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    def work() -> int:
        raise error

    assert exits.guarded(work, argv=["audit", "x"]) == code
    err = capsys.readouterr().err
    assert said in err
    assert "Traceback" not in err
    if "attach" in err:
        report = Path(re.search(r"attach (\S+)", err).group(1))  # type: ignore[union-attr]
        assert "Traceback" in report.read_text()
        assert "command: planner audit x" in report.read_text()
        report.unlink()


def test_debug_shows_the_traceback(capsys: pytest.CaptureFixture[str]) -> None:
    def work() -> int:
        raise KeyError("x")

    assert exits.guarded(work, debug=True) == exits.BUG
    assert "Traceback" in capsys.readouterr().err


# --- settings file -----------------------------------------------------------------------------------------


def test_settings_are_found_upwards_and_the_command_line_wins(
    farm: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (farm / "planner.yaml").write_text("units: us\nformat: json\ncatalog: my-catalog\n")
    below = farm / "a" / "b"
    below.mkdir(parents=True)
    found = common.read_settings(below)
    assert (found.units, found.format) == ("us", "json")
    assert found.catalog == (str(farm / "my-catalog"),)
    (farm / "planner.yaml").write_text("units: us\n")
    assert cli.main(["audit", "breach.yaml"]) == exits.BREACH
    assert "fl oz/ac" in capsys.readouterr().out
    assert cli.main(["audit", "breach.yaml", "--units", "metric"]) == exits.BREACH
    assert "fl oz/ac" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("unit: us\n", "planner.yaml:1: unknown setting 'unit'; did you mean units?"),
        (
            "# mine\nunits: imperial\n",
            "planner.yaml:2: 'units' cannot be 'imperial'; write one of metric, us",
        ),
        ("- us\n", "settings are keys with values"),
        ("catalog: [1]\n", "'catalog' is a folder or a list of folders"),
    ],
)
def test_a_slip_in_the_settings(farm: Path, text: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    (farm / "planner.yaml").write_text(text)
    assert cli.main(["audit", "breach.yaml"]) == exits.INPUT
    assert said in capsys.readouterr().err


def test_folders_that_are_not_there(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for option in ("--catalog", "--rules"):
        assert cli.main(["audit", "breach.yaml", option, "nowhere"]) == exits.INPUT
        assert "nowhere" in capsys.readouterr().err


# --- explain, catalog, rules -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["ROT01"], ["ROT01 same-group-in-succession", "why:", "change:", "source:", "examples"]),
        (["same-group-in-succession"], ["ROT01 same-group-in-succession"]),
        (["FRAC", "11"], ["group 11 (strobilurin)", "pyraclostrobin", "cross-resistance"]),
        (["11"], ["group 11 (strobilurin)"]),
        (["azoxystrobin"], ["fungicide, group 11 (strobilurin)", "rating"]),
        (["frogeye", "leaf", "spot"], ["Cercospora sojina", "infects:", "timing:", "report"]),
        (["R3", "--crop", "soybean"], ["R3 of soybean", "BBCH", "look for:", "open to:"]),
        (["glyphosate"], ["herbicide", "HRAC group 9"]),
    ],
)
def test_explain(words: list[str], said: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["explain", *words]) == exits.DONE
    out = capsys.readouterr().out
    for word in said:
        assert word in out
    assert cli.main(["explain", *words, "--format", "json"]) == exits.DONE
    json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(
    "kind", [None, "crops", "targets", "groups", "actives", "stages", "limits", "reports", "sources"]
)
@pytest.mark.parametrize("columns", ["80", "120"])
def test_catalog_list_reads_at_this_width(kind: str | None, columns: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["catalog", "list", *([kind] if kind else [])]) == exits.DONE
    out = capsys.readouterr().out
    assert "…" not in out
    assert out.count("\n") > 5
    assert cli.main(["catalog", "list", *([kind] if kind else []), "--format", "json"]) == exits.DONE
    assert len(json.loads(capsys.readouterr().out)) > 5


def test_catalog_check_counts_what_was_read_and_what_was_recalled(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["catalog", "check"]) == exits.DONE
    out = capsys.readouterr().out
    assert re.search(r"entries +all +read +trial +recalled", out)
    assert re.search(r"FRAC actives +\d+ +\d+", out)


def test_rules_list_and_check(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["rules", "list"]) == exits.DONE
    out = capsys.readouterr().out
    assert "carried and shown, not checked" in out
    assert len(re.findall(r"^  [A-Z]{3}\d\d ", out, re.M)) == 35  # the contract's count
    assert cli.main(["rules", "check"]) == exits.DONE
    assert "35 rules in order" in capsys.readouterr().out


def test_rules_new_gives_a_file_that_the_check_reads(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = farm / "my-rules" / "rotation"
    own.mkdir(parents=True)
    name = str(own / "ROT06-demo-rule.yaml")
    assert cli.main(["rules", "new", "ROT06", "demo-rule", "--family", "rotation", "-o", name]) == exits.DONE
    assert cli.main(["rules", "check", "--rules", "my-rules"]) == exits.DONE
    assert "36 rules in order" in capsys.readouterr().out
    assert cli.main(["rules", "new", "ROT06", "demo-rule", "--family", "rotation", "-o", name]) == exits.INPUT
    assert cli.main(["rules", "new", "ROT01", "other", "--family", "rotation"]) == exits.INPUT
    assert "the next free code is ROT06" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("kind", "name", "place"),
    [
        ("active", "demo-active", "actives/demo.yaml"),
        ("group", "Z9", "groups/demo.yaml"),
        ("target", "demo-spot", "targets/soybean/demo-spot.yaml"),
        ("crop", "demo-crop", "crops/demo-crop.yaml"),
    ],
)
def test_catalog_new_gives_a_file_that_the_check_reads(
    farm: Path, kind: str, name: str, place: str, capsys: pytest.CaptureFixture[str]
) -> None:
    target = farm / "mine" / place
    target.parent.mkdir(parents=True)
    assert cli.main(["catalog", "new", kind, name, "-o", str(target)]) == exits.DONE
    code = cli.main(["catalog", "check", "--catalog", "mine"])
    assert code == exits.DONE, capsys.readouterr().err


def test_catalog_new_limit(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = farm / "mine" / "limits" / "demo.yaml"
    target.parent.mkdir(parents=True)
    assert cli.main(["catalog", "new", "limit", "demo-limit", "-o", str(target)]) == exits.DONE
    code = cli.main(["catalog", "check", "--rules", "mine"])
    assert code == exits.DONE, capsys.readouterr().err


# --- completion --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_names_every_command_and_option(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["completion", shell]) == exits.DONE
    out = capsys.readouterr().out
    for name in COMMANDS:
        assert name in out
    for option in ("units", "explain", "strict"):
        assert option in out
    if shutil.which(shell):
        check = subprocess.run([shell, "-n"], input=out, text=True, capture_output=True)
        assert check.returncode == 0, check.stderr


@pytest.mark.skipif(shutil.which("bash") is None, reason="bash is not here")
@pytest.mark.parametrize(
    ("line", "offered"),
    [
        (["planner", "au"], ["audit"]),
        (["planner", "audit", "--un"], ["--units"]),
        (["planner", "audit", "--units", ""], ["metric", "us"]),
        (["planner", "rules", "l"], ["list"]),
    ],
)
def test_bash_completes(line: list[str], offered: list[str], tmp_path: Path) -> None:
    script = completion.script("bash", cli.parser(*COMMANDS))
    words = " ".join(f"'{word}'" for word in line)
    at = f"COMP_WORDS=({words}); COMP_CWORD={len(line) - 1}"
    text = f"{script}\n{at}; _planner; printf '%s\\n' \"${{COMPREPLY[@]}}\""
    done = subprocess.run(["bash", "-c", text], capture_output=True, text=True, cwd=tmp_path)
    assert done.stdout.split()[: len(offered)] == offered


# --- the shipped scenario ---------------------------------------------------------------------------------

SCENARIOS = places.folder("shared") / "scenarios"


@pytest.mark.parametrize("path", sorted(SCENARIOS.glob("*-*-*.yaml")), ids=lambda path: path.stem)
def test_shipped_programmes(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Sound ones are sound; what the answer says blames nobody and names every group with its family."""
    code = cli.main(["audit", str(path), "--explain"])
    out = capsys.readouterr().out
    assert code == (exits.BREACH if out.startswith("Not sound") else exits.DONE)
    if path.stem.startswith("sound"):
        assert out.startswith("Sound: ")
    else:
        assert not out.startswith("Sound: ")
    assert "invented products" in out
    assert "the label decides" in out
    plain = re.sub(r"^ +adviser: .*?(?=^ +\w+: |^\S|^$)", "", out, flags=re.M | re.S)
    assert re.findall(r"\b(?:wrong|violation|error|illegal|fail|mistake|incorrect)\w*\b", plain, re.I) == []
    assert not re.search(r"\bFRAC (?:M?\d)", plain)
    assert cli.main(["audit", str(path), "--explain", "--units", "us"]) == code
    assert not re.search(r"\d (?:L|kg|g)/ha\b", capsys.readouterr().out)


def test_the_suppliers_sheet_is_judged_like_the_document(capsys: pytest.CaptureFixture[str]) -> None:
    sheet = str(SCENARIOS / "supplier-sheet-quarry-bottom.csv")
    field, shop = str(SCENARIOS / "quarry-bottom.yaml"), str(SCENARIOS / "farm-shop.yaml")
    words = ["audit", sheet, "--field", field, "--products", shop, "--format", "json"]
    assert cli.main(words) == exits.BREACH
    from_sheet = json.loads(capsys.readouterr().out)
    assert cli.main(["audit", str(SCENARIOS / "solo-strobilurins-quarry-bottom.yaml"), "--format", "json"]) == 1
    from_yaml = json.loads(capsys.readouterr().out)
    told = [[(one["rule"], one["passes"]) for one in answer["findings"]] for answer in (from_sheet, from_yaml)]
    assert told[0] == told[1]
