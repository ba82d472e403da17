"""The hash of a password, and tokens: what a person's or a program's way into the pages is made of."""

from __future__ import annotations

import secrets
import sys

import click

from farmwatch.cli.screen import error
from farmwatch.errors import InputError

__all__ = ["COMMANDS"]

SHORTEST, LONGEST = 10, 200


@click.command("password", short_help="The hash of a password for the pages.")
@click.option("--token", is_flag=True, help="Print a new token for a program instead; nothing is asked.")
def password(token: bool) -> None:
    """Ask for a password and print its hash (scrypt, RFC 7914) for [people.NAME] of the configuration.

    It goes into a file that only the service can read (farmwatch password > marsh-lead.password).
    """
    if token:
        click.echo(secrets.token_urlsafe(32))
        return
    from werkzeug.security import generate_password_hash

    if sys.stdin.isatty():
        given = click.prompt("Password", hide_input=True, confirmation_prompt="Once more", err=True)
    else:
        given = sys.stdin.readline().rstrip("\r\n")
    if not SHORTEST <= len(given) <= LONGEST:
        raise InputError(
            f"the password has {len(given)} characters; wanted {SHORTEST} to {LONGEST}, a few words will do"
        )
    click.echo(generate_password_hash(given, method="scrypt"))
    if sys.stdout.isatty():
        error("put that line into a file, and its name at password in [people.NAME]", prefix="")


COMMANDS = (password,)
