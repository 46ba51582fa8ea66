"""Brings the catalogs of the pages up to date: `python -m ballgauge_service.pages.messages`.

Texts come from the templates, the scripts, the papers, the labels, the schemas' descriptions, the
rules and the sentences of the engine. English is the source; a text that is not translated stays in English.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_file
from babel.messages.pofile import read_po, write_po

from ballgauge_schemas.shared.words import PRESETS, ROLES
from ballgauge_service import rulebooks
from ballgauge_service.pages import contracts, extraction, forms, labels, languages
from ballgauge_service.rulebooks import listing

HERE = Path(__file__).parent
PAPERS = (
    "*/report/*.py",
    "design/pictures.py",
    "motion/lineup/*.py",
    "motion/lineup/assets/*.html",
    "motion/squad_pictures.py",
)
"""Reports, the sheet of a line-up and the picture of a squad are said in the pages' languages too."""


def collect() -> Catalog:
    """Every text, without translations."""
    catalog = Catalog(project="Ballgauge", charset="utf-8", fuzzy=False)
    for place, text, in_script in _texts():
        catalog.add(text, locations=[(place, 0)], auto_comments=[languages.SCRIPT] if in_script else [])
    return catalog


def update(path: Path) -> Catalog:
    """A catalog brought up to date with `collect`; texts that are gone are dropped."""
    with path.open("rb") as file:
        catalog = read_po(file, locale=path.stem, charset="utf-8")
    catalog.update(collect(), no_fuzzy_matching=True)
    catalog.obsolete.clear()
    return catalog


def written(catalog: Catalog) -> bytes:
    """A catalog as it is committed."""
    file = io.BytesIO()
    write_po(file, catalog, width=100, sort_output=True, include_lineno=False, omit_header=True)
    return file.getvalue()


def _texts() -> Iterator[tuple[str, str, bool]]:
    for method, folder, suffix in (("jinja2", "templates", ".html"), ("javascript", "static", ".js")):
        for file in sorted((HERE / folder).glob(f"*{suffix}")):
            name = "jinja2.ext:babel_extract" if method == "jinja2" else method
            # Of Babel's parser of scripts: a text within a text of several parts.
            for _, text, _, _ in extract_from_file(name, file, options={"parse_template_string": True}):
                yield f"{folder}/{file.name}", str(text), method == "javascript"
    for file in sorted(path for pattern in PAPERS for path in HERE.parent.glob(pattern)):
        name = "python" if file.suffix == ".py" else "jinja2.ext:babel_extract"
        for _, text, _, _ in extract_from_file(name, file):
            yield file.relative_to(HERE.parent).as_posix(), str(text), False
    short = (
        labels.LABELS,
        labels.SOLID_LABELS,
        labels.RELEASE_LABELS,
        labels.PRECISION_LABELS,
        labels.LINEUP_LABELS,
        labels.NUMBERS,
        labels.WORDS,
    )
    of_scripts = {labels.WORDS.get(word) for word in (*ROLES, *PRESETS)}
    for text in (text for names in short for text in names.values()):
        yield "labels.py", text, text in of_scripts
    for field in (*forms.check_fields().values(), *contracts.every_field()):
        yield "schemas", field.description, False
    described = [rulebooks.describe(body) for body in rulebooks.bodies()]
    titles = (rule["title"] for book in described for rule in (*book["rules"], *book["sample_rules"]))
    yield from (("rulebooks", title, True) for title in titles)
    yield from (("rulebooks", text, False) for text in listing.conditions())
    yield from ((place, text, False) for place, text in extraction.sentences())


def main() -> None:
    """Update every catalog."""
    for path in sorted(languages.FOLDER.glob("*.po")):
        path.write_bytes(written(update(path)))


if __name__ == "__main__":
    main()
