"""The routes that change something, and how they are described."""

from __future__ import annotations

from typing import Any

from fastapi import Depends, FastAPI, Path, Security
from fastapi.security import HTTPBearer
from starlette.requests import Request
from starlette.responses import Response

from collector.domain.actions import Deed
from collector.web import answers
from collector.web.acting import carry_out
from collector.web.door import require
from collector.web.services import BoardServices
from collector.web.subjects import DEEDS

__all__ = ["PROBLEMS", "add_deeds"]

_BEARER = HTTPBearer(auto_error=False, description="the board's token")
"""For the description only: the door decides."""

_FIELDS: dict[str, Any] = {
    "by": {"type": "string", "maxLength": 80,
           "description": "who does it; only with a token, an account has its own name"},
    "why": {"type": "string", "maxLength": 500, "description": "the reason"},
    "for": {"type": "string", "description": "for how long, such as 4 h; or else 'until'"},
    "until": {"type": "string", "description": "until when, ISO 8601 with an offset"},
}
_NEEDS_WHY = (Deed.SHELVE, Deed.TAKE_OUT, Deed.DECLARE_FILL, Deed.RESET_BASELINE,
              Deed.DECLARE_IMPAIRMENT, Deed.BEGIN_VISIT)
_LASTS = (Deed.SHELVE, Deed.TAKE_OUT, Deed.DECLARE_FILL, Deed.DECLARE_IMPAIRMENT, Deed.BEGIN_VISIT)

PROBLEMS: dict[int | str, dict[str, Any]] = {
    code: {"model": answers.Problem, "description": text} for code, text in (
        (400, "a field is missing or wrong"), (401, "not signed in, or the wrong token"),
        (403, "from another site's page, without the form's mark, or too small a role"),
        (404, "nothing of that name"), (409, "what stands does not allow it"),
        (413, "too long a body"), (415, "neither JSON nor a form"), (422, "too long an id"),
        (429, "too many tries with a wrong token"),
    )
}


def add_deeds(app: FastAPI, services: BoardServices) -> None:
    """Add a route for each deed that may be asked over HTTP."""
    for deed in DEEDS:
        _add_deed(app, services, deed)


def _body(deed: Deed) -> dict[str, Any]:
    needed = ["by", "why"] if deed in _NEEDS_WHY else ["by"]
    names = _FIELDS if deed in _LASTS else {n: _FIELDS[n] for n in ("by", "why")}
    schema = {"type": "object", "required": needed, "properties": names}
    form = {"type": "object", "required": [*needed[1:], "csrf"],
            "properties": names | {"csrf": {"type": "string"}, "back": {"type": "string"}}}
    return {"required": True, "content": {
        "application/json": {"schema": schema},
        "application/x-www-form-urlencoded": {"schema": form},
    }}


def _add_deed(app: FastAPI, services: BoardServices, deed: Deed) -> None:
    asked = DEEDS[deed]
    subject, word = asked.subject, asked.word
    # A default, since an annotation could not see what is known only here.
    named: Any = Path(alias=subject.parameter, max_length=300)
    article = "an" if subject.name[0] in "ai" else "a"

    @app.post(f"{subject.path}/{word}", summary=f"{word} {article} {subject.name}",
              operation_id=f"{word}_{subject.name}", response_model=subject.answer,
              responses=PROBLEMS | {303: {"description": "done; back to the board"}},
              openapi_extra={"requestBody": _body(deed)},
              dependencies=[Security(_BEARER), Depends(require(asked.role))])
    async def act(request: Request, name: str = named) -> Response:
        return await carry_out(request, services, name, deed)
