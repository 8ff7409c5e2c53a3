"""Signing in and out, and making the first owner on an empty database."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from starlette.responses import RedirectResponse

from app.errors import InputError, NotAllowedError
from app.pages.form import SentForm
from app.pages.rendering import render, template
from app.records import audit, members, people, sign_ins
from app.security import first_run, passwords
from app.security.members import cookie_name
from app.services import Services, services

router = APIRouter()


@template("sign_in.html")
@dataclass(frozen=True, slots=True)
class SignInPage:
    """The form; ``problem`` says why an earlier try failed."""

    after: str
    email: str
    problem: str


@template("first_run.html")
@dataclass(frozen=True, slots=True)
class FirstRunPage:
    """The form that makes the practice and its first owner."""

    shortest: int


def _own_path(after: str) -> str:
    """Return ``after`` if it is a path of ours, else the start page, so that no other site can be the target."""
    return after if after.startswith("/") and not after.startswith(("//", "/\\")) else "/"


def _signed_in(parts: Services, request: Request, member_id: str, after: str) -> Response:
    with parts.database.begin() as session:
        secret = sign_ins.begin(session, member_id, request.headers.get("user-agent", ""))
    response = RedirectResponse(after, 303)
    response.set_cookie(
        cookie_name(parts.settings),
        secret,
        max_age=int(sign_ins.LONGEST.total_seconds()),
        path="/",
        httponly=True,
        samesite="lax",
        secure=parts.settings.public_url.startswith("https://"),
    )
    return response


@router.get("/sign-in")
def ask(request: Request, next: str = "/") -> Response:
    """Show the form, or the set-up on an empty database."""
    with services(request).database.begin() as session:
        if not members.any_can_sign_in(session):
            return RedirectResponse("/first-run", 303)
    return render(request, SignInPage(_own_path(next), "", ""))


@router.post("/sign-in")
def sign_in(request: Request, form: SentForm) -> Response:
    """Sign a member in; a wrong e-mail and a wrong password look the same."""
    parts = services(request)
    email = form.text("email", longest=320)
    password = form.secret("password")
    after = _own_path(form.text("next"))
    parts.sign_in_limit.spend(f"address {request.client.host if request.client else ''}")
    parts.sign_in_limit.spend(f"account {email.casefold()}")
    with parts.database.begin() as session:
        found = members.credentials(session, email)
    if not passwords.password_fits(found.password_hash if found else None, password) or found is None:
        page = SignInPage(after, email, "E-mail or password is wrong. Check both and try again.")
        return render(request, page, 403)
    with parts.database.begin() as session:
        if passwords.should_hash_again(found.password_hash):
            members.set_password(session, found.member.id, passwords.hash_password(password))
        audit.note(session, found.member.practice_id, found.member.id, "signed in", "member", found.member.id)
    return _signed_in(parts, request, found.member.id, after)


@router.post("/sign-out")
def sign_out(request: Request) -> Response:
    """Sign this browser out."""
    parts = services(request)
    with parts.database.begin() as session:
        sign_ins.end(session, request.cookies.get(cookie_name(parts.settings), ""))
    response = RedirectResponse("/sign-in", 303)
    response.delete_cookie(cookie_name(parts.settings), path="/")
    return response


@router.get("/first-run")
def first_run_form(request: Request) -> Response:
    """Show the form that makes the first owner; gone as soon as somebody can sign in."""
    parts = services(request)
    with parts.database.begin() as session:
        if members.any_can_sign_in(session):
            return RedirectResponse("/sign-in", 303)
    first_run.code(parts.settings.data_folder)
    return render(request, FirstRunPage(passwords.SHORTEST))


@router.post("/first-run")
def first_owner(request: Request, form: SentForm) -> Response:
    """Make the practice and its first owner, and sign them in."""
    parts = services(request)
    parts.sign_in_limit.spend(f"address {request.client.host if request.client else ''}")
    with parts.database.begin() as session:
        if members.any_can_sign_in(session):
            raise NotAllowedError("This program was set up already.", "Sign in, or ask an owner for access.")
    if not first_run.matches(parts.settings.data_folder, form.text("code")):
        raise InputError("The set-up code is wrong.", "It was printed when the server started. Go back and try again.")
    hashed = passwords.hash_password(form.secret("password"))
    with parts.database.begin() as session:
        practice = people.add_practice(session, form.text("practice", longest=200, needed="The practice's name"))
        member = members.add_member(
            session,
            practice.id,
            name=form.text("name", longest=200, needed="Your name"),
            email=form.text("email", longest=320, needed="Your e-mail"),
            role="owner",
            password_hash=hashed,
        )
        audit.note(session, practice.id, member.id, "added", "practice", practice.id)
    first_run.spent(parts.settings.data_folder)
    return _signed_in(parts, request, member.id, "/")
