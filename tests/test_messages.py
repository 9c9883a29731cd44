"""Sentences are data: each is used, each that is asked for is there, and gates have theirs."""

import re
from importlib.resources import files

import pytest

from camlog.messages import Messages
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


@pytest.mark.parametrize("package", PACKAGES)
def test_every_sentence_asked_for_by_name_is_there(package):
    asked = re.findall(r'(?:messages|say)\("([\w.]+)"', code_of(package))
    assert asked and [name for name in asked if name not in Messages(package)] == []


def test_every_gate_has_its_title_and_its_place():
    gates = registered()
    templates = Messages("camlog.verify").templates
    assert gates and all(f"{gate.topic}.title" in templates for gate in gates)
    assert len({gate.order for gate in gates}) == len({gate.name for gate in gates}) == len(gates)
