"""What README.md and DEVELOPERS.md say is so."""

from __future__ import annotations

import csv
import doctest
import io
import re
import shlex
import tomllib
from dataclasses import fields
from pathlib import Path

import pytest
from click.testing import CliRunner

from photoaz.cli import main
from photoaz.judgement.revisit import Costs, load_costs
from photoaz.register.load import load_controls, load_picks, load_register

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```\n(.*?)^```", README, re.MULTILINE | re.DOTALL)


def block(start):
    return next(b for b in BLOCKS if b.startswith(start))


def test_conventions_run():
    result = doctest.testfile(str(ROOT / "DEVELOPERS.md"), module_relative=False, encoding="utf-8")
    assert result.attempted > 10
    assert result.failed == 0


def test_readme_opens_with_the_job_in_one_paragraph():
    title, paragraph, *_ = README.split("\n\n")
    assert title == "# photoaz"
    assert not paragraph.startswith(("#", "-", "!", "<", "`", "|"))


@pytest.mark.parametrize("line", [s for b in BLOCKS for s in b.splitlines() if s.startswith("photoaz ")])
def test_commands_of_the_readme_are_understood(line, tmp_path, monkeypatch):
    """Options that exist, put together rightly: parsed, not run."""
    name, *args = shlex.split(line.replace("*", "1"))[1:]
    monkeypatch.chdir(tmp_path)
    for arg in args:
        if Path(arg).suffix:
            Path(arg).touch()
    main.commands[name].make_context(name, args)


def test_every_command_is_in_the_readme():
    for name in main.commands:
        assert f"photoaz {name}" in README


def test_tables_of_the_readme_load(tmp_path):
    for start, load, count in (
        ("site_id,", lambda p: load_register(p).sites, 1),
        ("photo,antenna_id", load_picks, 1),
        ("photo,kind", load_controls, 1),
    ):
        path = tmp_path / "table.csv"
        path.write_text(block(start), encoding="utf-8")
        assert len(load(path)) == count
        header, *rows = csv.reader(io.StringIO(block(start)))
        assert all(len(row) == len(header) for row in rows)


def test_costs_of_the_readme_are_the_defaults(tmp_path):
    path = tmp_path / "costs.toml"
    path.write_text(block("visit = "), encoding="utf-8")
    assert load_costs(path) == Costs()
    assert len(tomllib.loads(block("visit = "))) == len(fields(Costs))


def test_what_ci_runs_is_what_the_readme_says():
    test_line = next(line for b in BLOCKS for line in b.splitlines() if "[test]" in line)
    assert test_line.endswith(".venv/bin/pytest")
    assert '"$bin/pytest"' in (ROOT / ".ci/run").read_text(encoding="utf-8")


def test_help_is_the_same_for_both_spellings():
    runner = CliRunner()
    assert runner.invoke(main, ["-h"]).output == runner.invoke(main, ["--help"]).output
