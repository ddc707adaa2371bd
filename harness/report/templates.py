"""How pages are filled in: what is put into one is escaped, and what was forgotten is an error."""

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import jinja2


@cache
def templates_in(folder: Path) -> "jinja2.Environment":
    """Give the templates of a folder; their filter `minus` writes numbers with a true minus sign.

    Kept, since to compile the templates takes as long as to fill them in.
    """
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.filters["minus"] = lambda text: str(text).replace("-", "−")
    return environment
