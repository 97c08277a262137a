"""Every word that a person reads is spelled as a dictionary has it, or as `words.txt` allows it.

The dictionary is that of pyspellchecker (American spelling mostly, hence the British words of the list). Read are the
pages, the samples' stories, and every sentence in the program's source but its docstrings.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(ROOT.glob("assets/help/*.md")),
         *sorted(ROOT.glob("sample_scans/*/about.md"))]  # fmt: skip
SOURCES = [path for path in sorted((ROOT / "rejoin").rglob("*.py")) if path.name != "look.py"]
WORD = re.compile(r"(?<![\w./\-@%])[A-Za-z]+(?:'[a-z]+)?(?![\w@/]|\.\w)")


def allowed() -> set[str]:
    lines = (ROOT / "tests" / "words.txt").read_text(encoding="utf-8").splitlines()
    return {word for line in lines if not line.startswith("#") for word in line.split()}


def prose(markdown: str) -> str:
    """A page without its code, its addresses and its tags."""
    for pattern in (r"(?ms)^```.*?^```", r"`[^`]*`", r"\]\([^)]*\)", r"<[^>]+>"):
        markdown = re.sub(pattern, " ", markdown)
    return markdown


def sentences(source: str) -> str:
    """The strings of a module that hold more than one word, without docstrings and tags."""
    tree = ast.parse(source)
    silent = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}  # docstrings
    found = [node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and id(node) not in silent]
    texts = [text.replace("&", "") for text in found if isinstance(text, str) and " " in text.strip()]
    return " . ".join(re.sub(r"<[^>]+>|`[^`]*`|\w+='[^']*'?", " ", text) for text in texts)


def words_of(text: str) -> set[str]:
    """Words as a dictionary lists them: no names in capitals, no names of code."""
    found = (word for word in WORD.findall(text) if len(word) > 2 and not word.isupper())
    return {word.lower().removesuffix("'s") for word in found if not re.search(r"[a-z][A-Z]", word)}


@pytest.fixture(scope="module")
def unknown():
    spellchecker = pytest.importorskip("spellchecker")
    dictionary, ours = spellchecker.SpellChecker(), allowed()
    return lambda text: sorted(dictionary.unknown(words_of(text)) - ours)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: f"{page.parent.name}/{page.name}")
def test_the_pages_are_spelled_well(page: Path, unknown) -> None:
    assert unknown(prose(page.read_text(encoding="utf-8"))) == []


def test_the_program_is_spelled_well(unknown) -> None:
    wrong = {path.name: unknown(sentences(path.read_text(encoding="utf-8"))) for path in SOURCES}
    assert {name: words for name, words in wrong.items() if words} == {}


def test_a_slip_is_found(unknown) -> None:
    assert unknown(prose("The fragmant is held by its reliefe, see [`fragmant`](fragmant.md).")) == [
        "fragmant", "reliefe"]  # fmt: skip
    source = '"""Docstrigns are not read."""\nSAID = "Open the scnas first."\nNAME = "scnas"\n'
    assert unknown(sentences(source)) == ["scnas"]
    assert unknown("A colour of grey, a millimetre of wear.") == []
