"""Where do people sign in and out? Pages rendered here, without scripts.

A form counts only from a page of this service: else another site could sign a browser in as
somebody else (login CSRF), or out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any
from urllib.parse import urlencode

import anyio.to_thread
from anyio import CapacityLimiter
from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.requests import ClientDisconnect

from service.access.forms import form_in
from service.access.hosts import is_loopback_host
from service.access.people import Asked
from service.access.refusals import InvalidRequest
from service.access.sessions_cookies import safe_target
from service.access.sign_in import SignIn
from service.errors import Forbidden, HyoidError, Malformed, TooLarge
from service.pages.templates import page
from service.rest.fhir_app import client_address
from service.store.people_known import KNOWN

_THREADS = 8
"""So many sign-ins at once; a flood of them leaves threads for the rest."""
_MOST_BYTES = 16 * 1024
_OPENID_SECONDS = 600


def sign_in_routes(sign_in: SignIn) -> APIRouter:
    """The pages of signing in, below `/access`."""
    router = APIRouter(prefix="/access", include_in_schema=False)
    pages = _Pages(sign_in, CapacityLimiter(_THREADS))
    router.add_api_route("/sign-in", pages.show, methods=["GET"])
    router.add_api_route("/sign-in", pages.sign_in, methods=["POST"])
    router.add_api_route("/sign-out", pages.sign_out, methods=["POST"])
    if sign_in.openid:
        router.add_api_route("/openid/start", pages.start, methods=["GET"])
        router.add_api_route("/openid/callback", pages.come_back, methods=["GET"])
    return router


@dataclass(frozen=True)
class _Pages:
    parts: SignIn
    limiter: CapacityLimiter

    async def show(self, request: Request) -> Response:
        """The form; for a link, whom it would sign in."""
        return await self._in_thread(partial(self._shown, request))

    async def sign_in(self, request: Request) -> Response:
        """Sign in with the form."""
        try:
            self._require_own_page(request)
            form = await _form(request)
        except HyoidError as error:
            return _shown(self.parts, error)
        return await self._in_thread(partial(self._signed_in, request, form), form)

    async def sign_out(self, request: Request) -> Response:
        """End the session of this browser."""
        return await self._in_thread(partial(self._signed_out, request))

    async def start(self, request: Request) -> Response:
        """To the identity provider."""
        return await self._in_thread(partial(self._started, request))

    async def come_back(self, request: Request) -> Response:
        """Back from it."""
        return await self._in_thread(partial(self._come_back, request))

    async def _in_thread(
        self,
        work: Callable[[], Response],
        form: dict[str, str] | None = None,
    ) -> Response:
        try:
            return await anyio.to_thread.run_sync(work, limiter=self.limiter)
        except HyoidError as error:
            return _shown(self.parts, error, form)

    def _shown(self, request: Request) -> Response:
        link = request.query_params.get("link", "")
        linked = None
        if link and is_loopback_host(request.headers.get("host", "")):
            linked = self.parts.people.linked(link, self._asked(request))
        if link and not linked:
            raise Forbidden("The link was used before, has expired, or is for another machine")
        if linked:
            target = safe_target(request.query_params.get("next", ""))
            return _page(self.parts.root, linked=linked, link=link, target=target)
        found = self.parts.browsers.signed_in(request.headers)
        name = (found.person.name or found.person.login) if found else ""
        return _page(
            self.parts.root,
            signed_in=name,
            openid=bool(self.parts.openid),
            target=safe_target(request.query_params.get("next", "")),
        )

    def _signed_in(self, request: Request, form: dict[str, str]) -> Response:
        asked, people = self._asked(request), self.parts.people
        if "link" in form:
            if not is_loopback_host(request.headers.get("host", "")):
                raise Forbidden("A sign-in link counts on the machine of the service alone")
            token = people.with_link(form["link"], asked)
            return self._with_session(request, token, form.get("next", ""))
        entered = people.with_passphrase(form.get("login", ""), form.get("passphrase", ""), asked)
        answer = self._with_session(request, entered.token, form.get("next", ""))
        self._set(request, answer, self.parts.browsers.cookies.browser, entered.browser, KNOWN)
        return answer

    def _signed_out(self, request: Request) -> Response:
        self._require_own_page(request)
        self.parts.people.sign_out(self._asked(request))
        answer = RedirectResponse(f"{self.parts.root}/access/sign-in", 303)
        self._set(request, answer, self.parts.browsers.cookies.session, "", 0)
        return answer

    def _started(self, request: Request) -> Response:
        assert self.parts.openid
        target = safe_target(request.query_params.get("next", ""))
        url, browser = self.parts.openid.begin(target)
        answer = RedirectResponse(url, 303)
        self._set(request, answer, self.parts.browsers.cookies.openid, browser, _OPENID_SECONDS)
        return answer

    def _come_back(self, request: Request) -> Response:
        assert self.parts.openid
        asked, cookies = self._asked(request), self.parts.browsers.cookies
        browser = cookies.token(request.headers, cookies.openid)
        told = request.query_params.multi_items()
        if len(dict(told)) < len(told):
            raise Malformed("A parameter is given twice")
        try:
            person, target = self.parts.openid.finish(dict(told), browser)
        except HyoidError as error:
            self.parts.people.record.refused("", asked.address, str(error)[:200], error.status)
            raise
        token = self.parts.people.start(person, asked)
        answer = self._with_session(request, token, target)
        self._set(request, answer, cookies.openid, "", 0)
        return answer

    def _with_session(self, request: Request, token: str, target: str) -> Response:
        answer = RedirectResponse(safe_target(target) or f"{self.parts.root}/", 303)
        seconds = self.parts.browsers.sessions.seconds
        self._set(request, answer, self.parts.browsers.cookies.session, token, seconds)
        return answer

    def _set(self, request: Request, answer: Response, name: str, value: str, seconds: int) -> None:
        encrypted = request.url.scheme == "https"
        cookie = self.parts.browsers.cookies.set(name, value, seconds=seconds, encrypted=encrypted)
        answer.headers.append("Set-Cookie", cookie)

    def _asked(self, request: Request) -> Asked:
        headers, cookies = request.headers, self.parts.browsers.cookies
        address, browser = client_address(request.scope), cookies.token(headers, cookies.browser)
        return Asked(address, cookies.token(headers), browser)

    def _require_own_page(self, request: Request) -> None:
        self.parts.browsers.cookies.require_own_page(request.headers)


def _shown(parts: SignIn, error: HyoidError, form: dict[str, str] | None = None) -> Response:
    """The page again, with why it was refused. The passphrase is not told back."""
    given = form or {}
    answer = _page(
        parts.root,
        error.status,
        refused=str(error),
        openid=bool(parts.openid),
        target=safe_target(given.get("next", "")),
        login=given.get("login", "")[:64],
    )
    for name, value in error.headers.items():
        answer.headers[name] = value
    return answer


def _page(root: str, status: int = 200, **shown: Any) -> HTMLResponse:
    target = shown.get("target", "")
    empty = {"refused": "", "signed_in": "", "linked": "", "link": "", "login": "", "target": ""}
    query = f"?{urlencode({'next': target})}" if target else ""
    told = {"openid": False, "query": query, "root": root, **empty, **shown}
    return page("sign_in.html", status, **told)


async def _form(request: Request) -> dict[str, str]:
    chunks, size = [], 0
    try:
        async for chunk in request.stream():
            size += len(chunk)
            if size > _MOST_BYTES:
                raise TooLarge("The form is too large", headers={"Connection": "close"})
            chunks.append(chunk)
        return form_in(b"".join(chunks), request.headers.get("content-type", ""))
    except ClientDisconnect:
        raise Malformed("The connection closed before the form was complete") from None
    except InvalidRequest as refusal:
        raise Malformed(refusal.description) from None
