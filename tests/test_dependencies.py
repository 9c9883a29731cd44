"""What camlog needs: versions that are bounded, licences that go with its own.

Which licences go with the GPL, and with which version of it: the Free Software Foundation's list "Various Licenses and
Comments about Them" (from memory); names as in the SPDX License List.
"""

import re
import tomllib
from importlib import metadata
from pathlib import Path

import pytest

from tests.bench.lowest_dependencies import lowest

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

WITH_GPL_2_OR_LATER = {
    "0BSD", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "GPL-2.0-or-later", "ISC", "MIT", "MIT-CMU", "MPL-2.0", "PSF-2.0",
    "Unlicense", "ZPL-2.1", "Zlib",
}  # fmt: skip
WITH_GPL_3 = WITH_GPL_2_OR_LATER | {
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "LGPL-3.0-only",
    "LGPL-3.0-or-later",
}
# Package data from before SPDX names (PEP 639): what stands in their License line, or in their classifiers.
IN_OTHER_WORDS = {
    "Apache 2": "Apache-2.0",
    "Apache 2.0": "Apache-2.0",
    "Apache Software License": "Apache-2.0",
    "BSD": "BSD-3-Clause",
    "BSD License": "BSD-3-Clause",
    "BSD 3-Clause License": "BSD-3-Clause",
    "GNU Lesser General Public License v3 or later (LGPLv3+)": "LGPL-3.0-or-later",
    "ISC License": "ISC",
    "ISC License (ISCL)": "ISC",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "Python Software Foundation License": "PSF-2.0",
    "ZPL 2.1": "ZPL-2.1",
}
# python-obd's package data say GPL-2.0-only, those of the other nothing; the notices in their files decide, and are looked
# at below.
BY_ITS_FILES = {"obd": "GPL-2.0-or-later", "axe-playwright-python": "MIT AND MPL-2.0"}


def needed(*requirements: str) -> set[str]:
    """Names of the installed packages that these need, and all that those need in turn."""
    found: set[str] = set()
    waiting = list(requirements)
    while waiting:
        line = waiting.pop()
        name = re.sub(r"[-_.]+", "-", re.match(r"[\w.-]+", line)[0]).lower()
        if name in found or "extra ==" in line:
            continue
        try:
            waiting += metadata.requires(name) or []
        except metadata.PackageNotFoundError:
            assert ";" in line, f"{name} is not installed"  # for another system or version of Python
            continue
        found.add(name)
    return found


def licence_of(name: str) -> str:
    """The SPDX expression of an installed package, or its own words where there is none."""
    about = metadata.metadata(name)
    said = about.get("License-Expression") or about.get("License") or ""
    if BY_ITS_FILES.get(name):
        return BY_ITS_FILES[name]
    if said in IN_OTHER_WORDS or allowed(said, WITH_GPL_3):
        return IN_OTHER_WORDS.get(said, said)
    classified = [c.split(" :: ")[-1] for c in about.get_all("Classifier", []) if c.startswith("License ::")]
    return " AND ".join(IN_OTHER_WORDS.get(c, c) for c in classified) or said[:60]


def allowed(expression: str, licences: set[str]) -> bool:
    """Whether an SPDX expression (Annex D of the specification) can be met with these licences alone."""

    def weighed(word: re.Match) -> str:
        return word[0].lower() if word[0] in ("AND", "OR") else str(word[0] in licences)

    if not re.fullmatch(r"[\w.+ ()-]+", expression):
        return False
    told = re.sub(r"[\w.+-]+(?: WITH [\w.-]+)?", weighed, expression)
    try:
        return bool(eval(told, {"__builtins__": {}}))  # noqa: S307 - "True and (False or True)" is all it can be
    except SyntaxError:
        return False


@pytest.mark.parametrize(
    ("expression", "yes"),
    [("MIT", True), ("MPL-2.0 AND (Apache-2.0 OR MIT)", True), ("Apache-2.0 AND CNRI-Python", False), ("", False),
     ("GPL-2.0-only", False), ("MIT OR Proprietary", True), ("MIT License", False), ("UNKNOWN", False)],
)  # fmt: skip
def test_an_expression_is_weighed_as_spdx_says(expression, yes):
    assert allowed(expression, WITH_GPL_3) is yes


def test_every_library_may_be_combined_with_camlog_and_handed_on():
    names = needed(*PROJECT["dependencies"])
    assert {"obd", "numpy", "flask", "werkzeug"} <= names
    others = {name: licence_of(name) for name in sorted(names) if not allowed(licence_of(name), WITH_GPL_3)}
    assert not others, "their licences do not go with the GPL, or are not known here"


def test_what_the_tests_need_may_be_used_too():
    names = needed(*PROJECT["optional-dependencies"]["test"])
    others = {name: licence_of(name) for name in sorted(names) if not allowed(licence_of(name), WITH_GPL_3)}
    assert not others


def test_the_readme_names_the_version_of_the_gpl_that_the_combination_needs():
    names = needed(*PROJECT["dependencies"])
    only_3 = {name for name in names if not allowed(licence_of(name), WITH_GPL_2_OR_LATER)}
    said = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    assert ("under version 3 of the GPL or a later one, and not under version 2" in said) is bool(only_3)


def test_python_obds_files_still_say_any_later_version():
    files = [f for f in metadata.files("obd") if f.suffix == ".py" and f.name != "__version__.py"]
    assert len(files) > 10
    for file in files:
        notice = " ".join(re.sub(r"[#\s]+", " ", file.read_text(encoding="utf-8")[:4000]).split())
        assert "either version 2 of the License, or (at your option) any later version" in notice, file


def test_the_package_that_brings_axe_core_still_says_its_licences():
    files = {
        f.name: f.read_text(encoding="utf-8")
        for f in metadata.files("axe-playwright-python")
        if f.name in ("LICENSE", "axe.min.js")
    }
    assert (
        files["LICENSE"].startswith("MIT License") and "Mozilla Public\n * License, v. 2.0" in files["axe.min.js"][:600]
    )


PRIVATE = re.compile(r"\b(?:serial|obd|ELM327|list_ports|port|protocol|commands)\._[A-Za-z]\w*|_ELM327__\w+")


def test_nothing_private_of_the_libraries_of_adapters_is_used():
    """Their next minor version may change it: what python-obd and pyserial offer to all is enough."""
    files = sorted((ROOT / "camlog" / "capture").rglob("*.py"))
    assert len(files) > 15
    found = {f.name: PRIVATE.findall(f.read_text(encoding="utf-8")) for f in files}
    assert not {name: names for name, names in found.items() if names}


def test_every_dependency_has_a_lowest_and_a_highest_version():
    assert len(lowest()) > 20
    for line in PROJECT["dependencies"]:
        assert re.fullmatch(r"[\w.-]+>=[\d.]+,<[\d.]+", line), line
