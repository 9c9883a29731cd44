"""Sentences are data: each is used, each that is asked for is there, and gates have theirs."""

import re
from importlib.resources import files
from string import Formatter

import pytest
from jinja2 import Environment

from camlog.messages import FILTERS, Messages
from camlog.report.dashboard import KINDS
from camlog.verify.gate import registered

PACKAGES = (
    "camlog.analysis", "camlog.analysis.changes", "camlog.analysis.drive", "camlog.analysis.figures",
    "camlog.analysis.misfire", "camlog.analysis.response", "camlog.analysis.verdict", "camlog.verify",
)  # fmt: skip


def code_of(package: str) -> str:
    """The source and the tables of a package, with the folders in it that have no sentences of their own."""
    folders, texts = [files(package)], []
    while folders:
        for entry in folders.pop().iterdir():
            if entry.is_dir() and not entry.joinpath("messages.toml").is_file():
                folders.append(entry)
            elif entry.name.endswith((".py", ".toml")) and entry.name != "messages.toml":
                texts.append(entry.read_text(encoding="utf-8"))
    return "\n".join(texts)


@pytest.mark.parametrize("package", PACKAGES)
def test_every_sentence_is_used(package):
    # How a figure is measured again is named in the table of figures.
    code = code_of(package) + code_of("camlog.analysis.figures")
    names = Messages(package).templates
    assert [name for name in names if not re.search(rf"\b{name.rpartition('.')[2]}\b", code)] == []


@pytest.mark.parametrize("package", [*PACKAGES, "camlog.convert"])
def test_every_sentence_asked_for_by_name_is_there(package):
    asked = re.findall(r'(?:messages|say)\("([\w.]+)"', code_of(package))
    assert asked and [name for name in asked if name not in Messages(package)] == []


def test_every_gate_has_its_title_and_its_place():
    gates = registered()
    templates = Messages("camlog.verify").templates
    assert gates and all(f"{gate.topic}.title" in templates for gate in gates)
    assert len({gate.order for gate in gates}) == len({gate.name for gate in gates}) == len(gates)


@pytest.mark.parametrize("package", ["camlog.report", "camlog.cli"])
def test_every_sentence_of_reports_and_commands_is_a_template_that_can_be_read(package):
    for name, text in Messages(package).templates.items():
        if "{{" in text or "{%" in text:
            environment = Environment()
            environment.filters |= FILTERS
            environment.from_string(text)  # raises where it cannot be read
        else:
            assert list(Formatter().parse(text)) or not text, name


def test_every_chart_has_its_question_and_its_summary():
    words = Messages("camlog.report")
    assert KINDS and all(f"{kind}.title" in words and f"{kind}.summary" in words for kind in KINDS)


@pytest.mark.parametrize("package", ["camlog.cli", "camlog.profile", "camlog"])
def test_every_error_says_what_to_do_and_is_used(package):
    errors = Messages(package).table("error")
    assert errors and {name.rpartition(".")[0] + ".what" for name in errors} <= set(errors)
    assert {name.rpartition(".")[0] + ".remedy" for name in errors} <= set(errors)
    code = code_of(package)
    assert [n for n in errors if n.endswith(".what") and f'"{n.removesuffix(".what")}"' not in code] == []


def test_every_sentence_of_conversions_is_used_and_there():
    code, names = code_of("camlog.convert") + code_of("camlog.cli"), Messages("camlog.convert").templates
    # Some are made of a kind and what it is about, as in time_clock, means_unit, look_turns, mdf_library.
    made = re.compile(r"(time|cam|ask|means|look)_\w+|\w+_library")
    spoken = [
        n.removeprefix("error.").removeprefix("counted.").split(".")[0] for n in names if not n.startswith("choices.")
    ]
    assert [n for n in spoken if not made.fullmatch(n) and f'"{n}"' not in code] == []
    asked = re.findall(r'say\.error\(\s*"(\w+)"', code_of("camlog.convert"))
    assert asked and [n for n in asked if f"error.{n}.what" not in names] == []
