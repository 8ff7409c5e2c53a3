"""The command line around members: the first owner, further practices, and a forgotten password."""

from typing import Annotated

import typer

members = typer.Typer(
    help="Make a practice with its first owner, or give a member a new password. Settings from the environment.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Password = Annotated[
    str, typer.Option(prompt=True, hide_input=True, confirmation_prompt=True, help="Asked for if not given.")
]


@members.command("set-up")
def set_up(
    practice: Annotated[str, typer.Option(help="Name of the practice.")],
    name: Annotated[str, typer.Option(help="Name of the owner.")],
    email: Annotated[str, typer.Option(help="E-mail the owner signs in with.")],
    password: Password,
) -> None:
    """Make a practice and its owner; a server may hold several practices, which never see each other."""
    from app.records import audit, people
    from app.records import members as records
    from app.records.database import Database
    from app.security import first_run, passwords
    from app.settings import Settings
    from vision.errors import KneelturnError

    settings = Settings()
    database = Database(settings.database_address)
    database.migrate()
    try:
        hashed = passwords.hash_password(password)
        with database.begin() as session:
            made = people.add_practice(session, practice)
            owner = records.add_member(session, made.id, name=name, email=email, role="owner", password_hash=hashed)
            audit.note(session, made.id, owner.id, "added", "practice", made.id)
    except KneelturnError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(2) from None
    finally:
        database.close()
    first_run.spent(settings.data_folder)
    typer.echo(f"{practice}: {name} can sign in with {email.strip()}.")


@members.command("password")
def password(email: Annotated[str, typer.Option(help="E-mail of the member.")], password: Password) -> None:
    """Give a member a new password and sign them out everywhere."""
    from app.records import audit, sign_ins
    from app.records import members as records
    from app.records.database import Database
    from app.security import passwords
    from app.settings import Settings
    from vision.errors import KneelturnError

    database = Database(Settings().database_address)
    database.migrate()
    try:
        hashed = passwords.hash_password(password)
        with database.begin() as session:
            found = records.credentials(session, email)
            if found is None:
                typer.echo(f"Nobody signs in with {email}.", err=True)
                raise typer.Exit(2)
            records.set_password(session, found.member.id, hashed)
            sign_ins.end_all(session, found.member.id)
            audit.note(session, found.member.practice_id, None, "changed password", "member", found.member.id)
    except KneelturnError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(2) from None
    finally:
        database.close()
    typer.echo(f"{found.member.name} has a new password and is signed out everywhere.")
