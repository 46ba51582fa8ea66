"""What deserves a second look, beside a result."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: a stable `code`, `words` for a person, and `pointer` (RFC 6901) where it has a place."""

    code: str
    words: str
    pointer: str | None = None

    def to_dict(self) -> dict[str, str | None]:
        """The members as answers have them."""
        return {"code": self.code, "message": self.words, "pointer": self.pointer}
