"""The tree holds to its own rules: imports point one way, names are ours, documents match the code."""

from __future__ import annotations

import ast
import dataclasses
import importlib
import importlib.metadata
import pkgutil
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest
import typer
from pydantic import BaseModel

ROOT = Path(__file__).parent.parent
OURS = ("adapters", "analysis", "logger", "sample_data")
MAY_IMPORT = {
    "adapters": {"adapters"},
    "analysis": {"analysis"},
    "logger": {"logger", "adapters", "analysis"},
    "sample_data": {"sample_data", "adapters"},
}
DEMO_MAY_START_THE_BANK = {"logger/demo.py"}
LIMIT = 400


def modules(folder: str) -> Iterator[Path]:
    yield from sorted((ROOT / folder).rglob("*.py"))


def imported(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module or ""


@pytest.mark.parametrize("folder", OURS)
def test_imports_point_one_way(folder: str) -> None:
    for path in modules(folder):
        name = path.relative_to(ROOT).as_posix()
        for module in imported(path):
            top = module.split(".")[0]
            if top in OURS and not (top == "sample_data" and name in DEMO_MAY_START_THE_BANK):
                assert top in MAY_IMPORT[folder], f"{name} imports {module}"


def test_sample_data_takes_only_plain_data_from_adapters() -> None:
    for path in modules("sample_data"):
        for module in imported(path):
            if module.startswith("adapters"):
                assert module in {"adapters.channels", "adapters.units"}, f"{path} imports {module}"


@pytest.mark.parametrize("folder", ["analysis"])
def test_analysis_is_pure(folder: str) -> None:
    banned = {
        "random",
        "time",
        "logging",
        "sqlite3",
        "sqlalchemy",
        "pandas",
        "pyarrow",
        "os",
        "socket",
        "subprocess",
    }
    for path in modules(folder):
        if "report" in path.parts:
            continue
        assert not {m.split(".")[0] for m in imported(path)} & banned, path


@pytest.mark.parametrize("folder", OURS)
def test_modules_stay_small(folder: str) -> None:
    long = {
        str(p.relative_to(ROOT)): n for p in modules(folder) if (n := len(p.read_text().splitlines())) > LIMIT
    }
    assert not long


@pytest.mark.parametrize("folder", OURS)
def test_no_drawer_for_odds_and_ends(folder: str) -> None:
    assert not [p for p in modules(folder) if p.stem in {"utils", "helpers", "tools", "misc", "common"}]


def test_the_four_folders_are_installed_by_us_and_nobody_else() -> None:
    owners = importlib.metadata.packages_distributions()
    for folder in OURS:
        assert set(owners.get(folder, ["bankbook"])) == {"bankbook"}, (
            f"{folder} is installed by {owners[folder]}"
        )
    assert importlib.metadata.distribution("bankbook").entry_points


@pytest.mark.parametrize("folder", OURS)
def test_typed_and_listed_for_the_wheel(folder: str) -> None:
    assert (ROOT / folder / "py.typed").exists()
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    assert folder in project["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"]


@pytest.mark.parametrize("folder", OURS)
def test_public_names_exist(folder: str) -> None:
    for found in pkgutil.walk_packages([str(ROOT / folder)], f"{folder}."):
        source = ROOT / (found.name.replace(".", "/") + ("/__init__.py" if found.ispkg else ".py"))
        if "__all__" in source.read_text(encoding="utf-8"):
            module = importlib.import_module(found.name)
            missing = [name for name in module.__all__ if not hasattr(module, name)]
            assert not missing, f"{found.name}: {missing}"


def test_help_imports_nothing_heavy() -> None:
    probe = (
        "import sys, logger.cli\n"
        "heavy = {'pandas', 'numpy', 'pyarrow', 'matplotlib', 'pymodbus', 'can', 'cantools', 'serial'}\n"
        "heavy |= {'sqlalchemy', 'pydantic', 'typst', 'jinja2', 'scipy', 'asyncio'}\n"
        "print(*sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.split() == []


def commands() -> dict[str, typer.core.TyperCommand]:
    """Return every command by its words: "week", "fleet report"."""
    from logger.cli import app

    found: dict[str, typer.core.TyperCommand] = {}
    for name, command in typer.main.get_command(app).commands.items():  # type: ignore[attr-defined]  # a group
        inner = getattr(command, "commands", None)
        found |= {name: command} if inner is None else {f"{name} {word}": c for word, c in inner.items()}
    return found


def test_no_command_is_cut_short_in_the_list_of_commands() -> None:
    for name, command in commands().items():  # 80 columns, as in a terminal nobody widened
        said = command.get_short_help_str(80 - 2 - 6 - len("record-raw"))
        assert not said.endswith("..."), f"{name}: {said}"


def test_every_command_is_in_the_readme_and_the_other_way_round() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    known = commands()
    for name in known:
        assert re.search(rf"^\| `{name}\b", readme, re.MULTILINE), f"README's command table lacks {name}"
    for line in re.findall(r"^\| `([a-z][a-z -]*[a-z])[^`]*` \|", section(readme, "Commands"), re.MULTILINE):
        assert line.split(" into")[0] in known, f"README names a command {line} that is not there"
    plain = re.sub(r"^```.*?^```", "", readme, flags=re.MULTILINE | re.DOTALL)
    code = re.findall(r"`([^`]+)`", plain) + re.findall(r"^    (.*)$", readme, re.MULTILINE)
    for word in (w for text in code for w in re.findall(r"(?<!-u )bankbook ([a-z]+)\b", text)):
        assert word in {name.split()[0] for name in known}, f"README tells to run `bankbook {word}`"


def test_every_option_of_a_command_is_in_the_readme() -> None:
    table = section((ROOT / "README.md").read_text(encoding="utf-8"), "Commands")
    everywhere = {"--config", "-c", "--json", "--help", "-h", "-v"}
    for name, command in commands().items():
        row = re.search(rf"^\| `{name}\b.*$", table, re.MULTILINE)
        assert row
        for parameter in command.params:
            if parameter.param_type_name == "option":
                for option in set(parameter.opts) - everywhere:
                    assert option in row.group(), f"README's line on {name} lacks {option}"


DOCUMENTS = sorted(
    p for p in ROOT.rglob("*.md") if not {".venv", ".git", "build"} & set(p.relative_to(ROOT).parts)
)


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_every_command_and_option_that_a_document_writes_is_there(document: Path) -> None:
    known = commands()
    text = document.read_text(encoding="utf-8")
    blocks = re.findall(r"^    (.*)$", text, re.MULTILINE)
    running = re.sub(r"^(    .*|```.*)$", "", text, flags=re.MULTILINE)
    inline = re.findall(r"`([^`\n]+(?:\n[^`\n]+)?)`", running)
    for code in (*blocks, *(" ".join(one.split()) for one in inline)):
        for words, rest in re.findall(r"(?:^|(?<!-u)[\s/&])bankbook ([a-z-]+(?: [a-z]+)?)([^|;#&]*)", code):
            name = next((n for n in (words, words.split()[0]) if n in known), None)
            if name is None:
                assert words.startswith("-") or "#" in code, f"there is no command: {code}"
                continue
            told = set(re.findall(r"(?<=\s)--?[a-z][a-z-]*", rest))
            there = {o for parameter in known[name].params for o in parameter.opts} | {"--help", "-h"}
            assert told <= there, f"{name} has no {told - there}: {code}"


def section(text: str, title: str) -> str:
    found = re.search(rf"^## {title}$(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL)
    assert found, f"README has no section {title}"
    return found.group(1)


def test_every_configuration_key_is_in_the_readme_with_its_default() -> None:
    from logger.config import Config

    reference = section((ROOT / "README.md").read_text(encoding="utf-8"), "Configuration")
    for title, table in tables(Config):
        part = re.search(rf"^### `{re.escape(title)}`$(.*?)(?=^### |\Z)", reference, re.MULTILINE | re.DOTALL)
        assert part, f"README's configuration lacks {title}"
        rows = dict(re.findall(r"^\| `(\w+)` \| ([^|]*) \|", part.group(1), re.MULTILINE))
        fields = {key: f for key, f in table.model_fields.items() if model_of(f.annotation) is None}
        assert set(rows) == set(fields), title
        for key, field in fields.items():
            if isinstance(field.default, int | float | str) and not isinstance(field.default, bool):
                assert str(field.default).removesuffix(".0") in rows[key], f"{title} {key}: another default"


def tables(config: type[BaseModel]) -> Iterator[tuple[str, type[BaseModel]]]:
    for name, field in config.model_fields.items():
        model = model_of(field.annotation)
        assert model
        many = str(field.annotation).startswith("tuple")
        yield (f"[[{name}]]" if many else f"[{name}]"), model
        for inner_name, inner in model.model_fields.items():
            if (inner_model := model_of(inner.annotation)) is not None:
                yield f"[{name}.{inner_name}]", inner_model


def model_of(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for m in map(model_of, get_args(annotation)) if m), None)


def test_every_key_of_a_source_is_in_the_readme() -> None:
    from adapters.registry import CONFIGS

    table = section((ROOT / "README.md").read_text(encoding="utf-8"), "Configuration")
    for kind, place in CONFIGS.items():
        module, _, name = place.partition(":")
        row = re.search(rf"^\| `{kind}` \|.*$", table, re.MULTILINE)
        assert row, f"README lacks the kind {kind}"
        known = {f.name for f in dataclasses.fields(getattr(importlib.import_module(module), name))}
        for key in known - {"name", "pack", "witness", "folder", "period_s", "timeout_s"}:
            assert f"`{key}`" in row.group(), f"README's line on {kind} lacks {key}"


def test_every_warning_is_in_the_readme() -> None:
    from logger.alerts.watch import KINDS

    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for kind, meaning in KINDS.items():
        assert f"| `{kind}` | {meaning[0].upper()}{meaning[1:]}. |" in readme


def test_exit_codes_are_in_the_readme() -> None:
    from logger.exits import MEANING

    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for code, meaning in MEANING.items():
        assert f"| {int(code)} | {meaning} |" in readme


def test_make_targets_do_what_the_readme_says() -> None:
    made = (ROOT / "Makefile").read_text()
    targets = set(re.findall(r"^([a-z]+):", made, re.MULTILINE))
    assert {"demo", "test", "check", "bench", "help"} <= targets
    for target in re.findall(r"`make ([a-z]+)`", (ROOT / "README.md").read_text(encoding="utf-8")):
        assert target in targets
    assert "make test" in (ROOT / ".ci/run").read_text()
