"""The guide: its chapters are the Markdown files of this folder, made HTML once and searched here."""

from ballgauge_service.pages.guide.chapters import ORDER, WHOLE, Chapter, chapter, chapters, source
from ballgauge_service.pages.guide.search import Found, search

__all__ = ["ORDER", "WHOLE", "Chapter", "Found", "chapter", "chapters", "search", "source"]
